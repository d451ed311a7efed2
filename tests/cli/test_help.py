"""Help comes at once, and every command explains itself."""

from __future__ import annotations

import subprocess
import sys

import click
import pytest

from autocell import __version__
from autocell.cli.main import cli, main

HEAVY = ("numpy", "scipy", "numba", "matplotlib", "pyvisa", "serial", "pydantic", "rich", "dask")


@pytest.mark.parametrize(
    "code", ["import autocell", "from autocell.cli.main import main; main(['--help'])"]
)
def test_nothing_heavy_is_imported_for_help(code: str) -> None:
    watch = f"{code}\nimport sys\nprint('heavy:', [m for m in {HEAVY!r} if m in sys.modules])"
    ended = subprocess.run(
        [sys.executable, "-c", watch], capture_output=True, text=True, check=True
    )
    assert ended.stdout.splitlines()[-1] == "heavy: []"


@pytest.mark.parametrize("name", sorted(cli.commands))
def test_every_command_explains_itself_and_its_options(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([name, "--help"]) == 0
    told = capsys.readouterr().out
    assert told.startswith(f"Usage: autocell {name}")
    for parameter in cli.commands[name].params:
        if isinstance(parameter, click.Option):
            assert parameter.opts[0] in told
            assert parameter.help


def test_the_first_page_names_the_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    assert "laser safety officer" in " ".join(capsys.readouterr().out.split())


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"autocell {__version__}\n"


@pytest.mark.parametrize(
    "arguments",
    [
        ["no-such-command"],
        ["change", "many", "--bench", "peat-bog"],
        ["change", "62"],
        ["patterns", "--bench", "peat-bog", "--passes", "62", "--path", "15"],
        ["patterns", "--bench", "no-such-bench"],
        ["survey", "--bench", "peat-bog", "--from", "250", "--to", "230"],
        ["survey", "--bench", "peat-bog", "--from", "150"],
        ["survey", "--bench", "peat-bog", "--points", "1"],
        ["simulate", "peat-bog", "--start", "no-such-state"],
    ],
)
def test_wrong_usage_is_one_sentence_and_exit_code_2(
    arguments: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("AUTOCELL_BENCH", raising=False)
    assert main(arguments) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.strip()
    assert "Traceback" not in printed.err
