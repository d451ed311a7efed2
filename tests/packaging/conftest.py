"""The checkout, its documents, and what is built from it."""

from __future__ import annotations

import re
import subprocess
import sys
import tarfile
from pathlib import Path
from zipfile import ZipFile

import pytest

ROOT = Path(__file__).parents[2]


def blocks(text: str, language: str) -> list[str]:
    """Fenced code blocks, also those inside a list."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^\1```$", text, re.DOTALL | re.MULTILINE)
    return [re.sub(rf"^{indent}", "", body, flags=re.MULTILINE) for indent, body in found]


def build(source: Path, target: str, into: Path) -> Path:
    """The wheel or sdist of the project in ``source``, by the build back end it names."""
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", target, "-d", str(into)],
        cwd=source,
        check=True,
        capture_output=True,
    )
    (built,) = into.iterdir()
    return built


@pytest.fixture(scope="session")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> ZipFile:
    return ZipFile(build(ROOT, "wheel", tmp_path_factory.mktemp("wheel")))


@pytest.fixture(scope="session")
def unpacked_sdist(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("unpacked")
    with tarfile.open(build(ROOT, "sdist", tmp_path_factory.mktemp("sdist"))) as archive:
        archive.extractall(folder, filter="data")
    (project,) = folder.iterdir()
    return project
