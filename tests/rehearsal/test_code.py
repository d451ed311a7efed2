"""Which code carries a campaign out, by real checkouts."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from autocell_simulators.rehearsal.code import code_in, present_code

needs_git = pytest.mark.skipif(shutil.which("git") is None, reason="needs git")


def git(folder: Path, *words: str) -> str:
    author = ("-c", "user.name=nobody", "-c", "user.email=nobody@example.invalid")
    command = ["git", "-C", str(folder), *author, *words]
    return subprocess.run(command, capture_output=True, encoding="utf-8", check=True).stdout.strip()


@pytest.fixture
def packages(tmp_path: Path) -> list[Path]:
    folders = [tmp_path / "core", tmp_path / "side" / "drivers"]
    for folder in folders:
        folder.mkdir(parents=True)
        (folder / "__init__.py").write_text("")
        (folder / "work.py").write_text("limit = 1\n")
    return folders


@pytest.fixture
def checkout(packages: list[Path], tmp_path: Path) -> Path:
    git(tmp_path, "init", "-q")
    (tmp_path / ".gitignore").write_text("__pycache__/\n")
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-q", "-m", "Begin")
    return tmp_path


def test_one_changed_byte_is_other_code(packages: list[Path]) -> None:
    before = code_in(packages)
    assert code_in(packages) == before
    (packages[1] / "work.py").write_text("limit = 2\n")
    changed = code_in(packages)
    assert changed.sha256 != before.sha256
    (packages[1] / "work.py").rename(packages[1] / "play.py")
    assert code_in(packages).sha256 not in (before.sha256, changed.sha256)


def test_code_outside_a_checkout_has_no_revision(packages: list[Path]) -> None:
    assert code_in(packages).revision is None
    assert code_in(packages).modified is None


@needs_git
def test_a_checkout_has_a_revision_and_says_when_it_was_modified(
    packages: list[Path], checkout: Path
) -> None:
    clean = code_in(packages)
    assert clean.revision == git(checkout, "rev-parse", "HEAD")
    assert clean.modified is False
    (checkout / "notes.txt").write_text("beside the packages\n")
    assert code_in(packages) == clean
    (packages[0] / "new.py").write_text("")
    assert code_in(packages).modified is True
    assert code_in(packages).revision == clean.revision


@needs_git
def test_a_copy_that_was_installed_inside_a_checkout_has_no_revision(checkout: Path) -> None:
    (checkout / ".gitignore").write_text("environment/\n")
    installed = checkout / "environment" / "core"
    shutil.copytree(checkout / "core", installed)
    assert code_in([installed]).revision is None


def test_the_code_that_runs_is_known() -> None:
    code = present_code()
    assert len(code.sha256) == 64
    assert (code.revision is None) == (code.modified is None)
