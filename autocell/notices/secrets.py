"""Secrets: from the environment or from a file that nobody else can read, and from nowhere else.

They are asked for by name when they are needed, kept by nobody, and stand in no message.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from platformdirs import user_config_path

from autocell.errors import UsageError

_MARK = "secret:"


def secret(name: str) -> str:
    """The secret of this name: the environment variable ``AUTOCELL_SECRET_NAME``, or the file
    ``NAME`` in ``CREDENTIALS_DIRECTORY`` (systemd.exec(5)) or in the user's ``autocell/secrets``.

    Raises UsageError when there is none, or when others than its owner may read the file.
    """
    variable = f"AUTOCELL_SECRET_{name.upper()}"
    if variable in os.environ:
        return os.environ[variable]
    folders = [user_config_path("autocell") / "secrets"]
    if "CREDENTIALS_DIRECTORY" in os.environ:
        folders.insert(0, Path(os.environ["CREDENTIALS_DIRECTORY"]))
    for folder in folders:
        path = folder / name
        if path.is_file():
            _refuse_open_file(path)
            return path.read_text("utf-8").strip()
    raise UsageError(
        f"no secret {name!r}: set {variable}, or write it into {folders[-1] / name} and make that "
        "readable for its owner only (chmod 600)"
    )


def resolved(text: str) -> str:
    """``text``, or the secret that it names as ``secret:NAME``. Raises UsageError."""
    return secret(text.removeprefix(_MARK)) if text.startswith(_MARK) else text


def _refuse_open_file(path: Path) -> None:
    about = path.stat()
    if about.st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise UsageError(f"{path}: others may read it; make it its owner's alone (chmod 600)")
    if about.st_uid not in (os.geteuid(), 0):
        raise UsageError(f"{path}: it belongs to another user; make it your own (chown)")
