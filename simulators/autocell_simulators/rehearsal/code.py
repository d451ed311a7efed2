"""Which code carries a campaign out."""

from __future__ import annotations

import functools
import hashlib
import importlib.util
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from autocell import __version__

_PACKAGES = ("autocell", "autocell_drivers", "autocell_simulators")
"""Everything that a rehearsal runs. The drivers are found by name, as a bench file names them."""
_GIT_S = 10.0


@dataclass(frozen=True)
class Code:
    """``sha256`` is of the source files, and decides whether two are the same; ``version`` and, in
    a git checkout, ``revision`` with whether it was ``modified`` are for people to find it by."""

    version: str
    sha256: str
    revision: str | None = None
    modified: bool | None = None

    @property
    def in_words(self) -> str:
        """For a message."""
        if self.revision is None:
            return f"{self.version}, source {self.sha256[:12]}"
        modified = f" modified, source {self.sha256[:12]}" if self.modified else ""
        return f"{self.version}, revision {self.revision[:12]}{modified}"

    def as_json(self) -> dict[str, Any]:
        """For the header of a campaign file, which has the version already."""
        return {"sha256": self.sha256, "revision": self.revision, "modified": self.modified}


@functools.cache
def present_code() -> Code:
    """The code that runs now, as it was when this was first asked."""
    specs = [importlib.util.find_spec(package) for package in _PACKAGES]
    return code_in([Path(spec.origin).parent for spec in specs if spec and spec.origin])


def code_in(packages: Sequence[Path]) -> Code:
    """The code in these folders. Without git, and where the folders are no part of a checkout (a
    virtual environment inside one is none), nothing is said of a revision."""
    checkout, *others = [_git(folder, "rev-parse", "--show-toplevel") for folder in packages]
    revision = modified = None
    if checkout is not None and all(other == checkout for other in others):
        tracked = _git(packages[0], "ls-files", "__init__.py")
        changes = _git(packages[0], "status", "--porcelain", "--", *map(str, packages))
        if tracked and changes is not None:
            revision, modified = _git(packages[0], "rev-parse", "HEAD"), changes != ""
    return Code(__version__, _fingerprint(packages), revision, modified)


def _fingerprint(packages: Sequence[Path]) -> str:
    """Of the names of all source files and of what is in them."""
    told = hashlib.sha256()
    for package in packages:
        for path in sorted(package.rglob("*.py")):
            name = f"{package.name}/{path.relative_to(package).as_posix()}"
            told.update(f"{name}\0{hashlib.sha256(path.read_bytes()).hexdigest()}\n".encode())
    return told.hexdigest()


def _git(folder: Path, *words: str) -> str | None:
    try:
        said = subprocess.run(
            ["git", "--no-optional-locks", "-C", str(folder), *words],
            capture_output=True, encoding="utf-8", check=True, timeout=_GIT_S,
        )  # fmt: skip
    except (OSError, subprocess.SubprocessError):
        return None
    return said.stdout.strip()
