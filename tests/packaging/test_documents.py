"""README, DEVELOPERS and docs say what is so: commands, files, names, excerpts and keys exist."""

from __future__ import annotations

import importlib
import json
import re
import shlex
from pathlib import Path

import click
import pytest
from autocell_drivers.dialect import Dialect

from autocell.cli.main import cli
from autocell.outcome import Evidence, Outcome, Proof, Verdict
from tests.packaging.conftest import ROOT, blocks

README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
_LINK = re.compile(r"\]\(([^)\s]+)\)")


def commands(text: str) -> list[list[str]]:
    """Every call of autocell in the shell blocks, and between backticks in the prose."""
    lines = [line for block in blocks(text, "sh") for line in block.splitlines()]
    lines += re.findall(r"`(autocell [^`]+)`", text)
    calls = [shlex.split(part) for line in lines for part in line.split("&&")]
    return [call[1:] for call in calls if call and call[0].rpartition("/")[2] == "autocell"]


def names(text: str) -> list[str]:
    """Dotted names of modules, functions and classes between backticks."""
    return re.findall(r"`(autocell(?:_\w+)?(?:\.\w+)+)`", text)


def check_call(arguments: list[str]) -> None:
    """Raises click.UsageError for a command or an option that does not exist."""
    command: click.Command = cli
    context = click.Context(cli, info_name="autocell")
    while isinstance(command, click.Group) and arguments and not arguments[0].startswith("-"):
        name, *arguments = arguments
        found = command.get_command(context, name)
        if found is None:
            raise click.UsageError(f"no such command: {name}")
        command = found
        context = click.Context(command, parent=context, info_name=name)
    command.make_parser(context).parse_args(arguments)


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_every_command_in_the_documents_exists(path: Path) -> None:
    for call in commands(path.read_text("utf-8")):
        check_call(list(call))


def test_a_command_that_does_not_exist_would_be_noticed() -> None:
    for wrong in (["chnage", "62"], ["change", "62", "--no-such-option"]):
        with pytest.raises(click.UsageError):
            check_call(wrong)


def test_readme_begins_with_the_job_and_then_the_two_commands_one_line_each() -> None:
    first, second, *_ = (block.splitlines() for block in blocks(README, "sh"))
    assert len(first) == len(second) == 1
    make, install, run = first[0].split(" && ")
    assert make == "python3 -m venv .venv"
    assert install == ".venv/bin/python -m pip install ."
    assert run == ".venv/bin/autocell demo"
    install, run = second[0].split(" && ")
    assert install == '.venv/bin/python -m pip install ".[test]"'
    assert run.startswith(".venv/bin/pytest")
    job = README.split("\n\n")[1]
    assert "Herriott cell by hand" in job


def test_ci_runs_the_test_command_of_the_readme() -> None:
    run = blocks(README, "sh")[1].strip().split(" && ")[-1]
    ci = (ROOT / ".ci" / "run").read_text("utf-8")
    assert f'"$venv{run.removeprefix(".venv").replace(" ", chr(34) + " ", 1)}' in ci


def test_every_excerpt_of_a_yaml_file_is_in_that_file() -> None:
    """Pieces of a bench file may leave lines out: tests/packaging/test_bench_file_page.py."""
    configs = [path.read_text("utf-8") for path in (ROOT / "configs").glob("*.yaml")]
    about_benches = README.split("\n## A bench file\n")[1].split("\n## ")[0]
    excerpts = blocks(README.replace(about_benches, ""), "yaml")
    assert excerpts
    for excerpt in excerpts:
        assert any(excerpt in text for text in configs), excerpt


def test_the_json_in_the_readme_has_the_keys_that_programs_get() -> None:
    (shown,) = (json.loads(block) for block in blocks(README, "json"))
    proof = Proof(True, 1.0, (Evidence("", True),))
    told = Outcome(Verdict.REACHED, "", proof=proof).as_json()
    assert list(shown) == list(told)
    assert list(shown["proof"]) == list(told["proof"])
    assert shown["proof"]["evidence"][0].keys() == told["proof"]["evidence"][0].keys()


def test_the_exit_codes_in_the_readme_are_those_of_the_verdicts() -> None:
    table = re.findall(r"^\| (\d) \| ([^|]*) \|", README, re.MULTILINE)
    told = {word: int(code) for code, cell in table for word in re.findall(r"\w+", cell)}
    assert told == {verdict.value: verdict.exit_code for verdict in Verdict}


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_every_link_inside_the_project_leads_somewhere(path: Path) -> None:
    text = path.read_text("utf-8")
    headings = {
        re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-")
        for heading in re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    }
    for target in _LINK.findall(text):
        if target.startswith("#"):
            assert target[1:] in headings, target
        elif "://" not in target:
            assert (path.parent / target.partition("#")[0]).exists(), target


@pytest.mark.parametrize("name", sorted(set(names(DEVELOPERS))))
def test_every_name_in_developers_exists(name: str) -> None:
    parts = name.split(".")
    for cut in range(len(parts), 0, -1):
        try:
            value = importlib.import_module(".".join(parts[:cut]))
        except ModuleNotFoundError:
            continue
        for part in parts[cut:]:
            value = getattr(value, part)
        return
    pytest.fail(f"nothing is called {name}")


def test_every_folder_in_developers_exists() -> None:
    rows = re.findall(r"^\| (`[^|]+) \|", DEVELOPERS, re.MULTILINE)
    assert len(rows) > 15
    paths = [path for row in rows for path in re.findall(r"`([\w/.]+)`", row)]
    for path in paths:
        assert (ROOT / path).exists() or (ROOT / "autocell" / path).exists(), path


def test_every_module_and_folder_is_in_a_table_of_developers() -> None:
    told = set()
    for row in re.findall(r"^\| (`[^|]+) \|", DEVELOPERS, re.MULTILINE):
        first, *others = re.findall(r"`([\w/.]+)`", row)
        told |= {first, *others, *(str(Path(first).parent / name) for name in others)}
    there = {
        f"{parent}{path.name}"
        for parent in ("", "autocell/", "drivers/", "simulators/", "tests/")
        for path in (ROOT / parent).iterdir()
        if path.is_dir() or (parent == "autocell/" and path.suffix == ".py")
        if "." not in path.name.removesuffix(".py") and not path.name.startswith("__")
    } - {"autocell", "drivers", "simulators", "build", "dist"}
    assert len(there) > 40
    assert there <= told


def test_every_key_of_a_dialect_is_told() -> None:
    text = (ROOT / "docs" / "dialects.md").read_text("utf-8")
    for key in Dialect.model_fields:
        assert f"`{key}`" in text, key


def test_the_picture_is_small_and_told_to_be_invented() -> None:
    picture = ROOT / "docs" / "pictures" / "report.png"
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert picture.stat().st_size < 400_000
    (alt,) = re.findall(r"!\[([^\]]*)\]\(docs/pictures/report.png\)", README)
    assert "invented" in alt
