"""Secrets: from the environment or from a file that nobody else can read, and from nowhere else.

They are asked for by name when they are needed, kept by nobody, and stand in no message.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from platformdirs import user_config_path

from autocell.errors import UsageError

_MARK = "secret:"
_VARIABLE = "AUTOCELL_SECRET_"
_FOLDER_VARIABLE = "CREDENTIALS_DIRECTORY"
_STAND_IN = "(secret)"

_LEAST_WORD = 8
"""Words of a secret that are at least so long are secret by themselves, such as the token behind
the word Bearer."""


def secret(name: str) -> str:
    """The secret of this name: the environment variable ``AUTOCELL_SECRET_NAME``, or the file
    ``NAME`` in ``CREDENTIALS_DIRECTORY`` (systemd.exec(5)) or in the user's ``autocell/secrets``.

    Raises UsageError when there is none, or when others than its owner may read the file.
    """
    variable = f"{_VARIABLE}{name.upper()}"
    if variable in os.environ:
        return os.environ[variable]
    folders = _folders()
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


def environment_without_secrets() -> dict[str, str]:
    """The environment for a command that need not know them."""
    return {
        name: value
        for name, value in os.environ.items()
        if not name.upper().startswith(_VARIABLE) and name != _FOLDER_VARIABLE
    }


def without_secrets(text: str) -> str:
    """``text`` with ``(secret)`` in place of every secret that can be found on this machine, and
    of its longer words. One that was encoded first, such as in base 64, is not recognised."""
    pieces = {piece for value in _values() for piece in _pieces(value)}
    for piece in sorted(pieces, key=len, reverse=True):
        text = text.replace(piece, _STAND_IN)
    return text


def _values() -> Iterator[str]:
    for name, value in os.environ.items():
        if name.upper().startswith(_VARIABLE):
            yield value
    for folder in _folders():
        with contextlib.suppress(OSError):  # what cannot be read here has told nobody anything
            for path in sorted(folder.iterdir()):
                with contextlib.suppress(OSError):
                    yield path.read_text("utf-8", "replace")


def _pieces(value: str) -> Iterator[str]:
    if value.strip():
        yield value.strip()
    yield from (word for word in value.split() if len(word) >= _LEAST_WORD)


def _folders() -> list[Path]:
    """Where files with secrets are looked for, in this order."""
    given = os.environ.get(_FOLDER_VARIABLE)
    own = user_config_path("autocell") / "secrets"
    return [own] if given is None else [Path(given), own]


def _refuse_open_file(path: Path) -> None:
    about = path.stat()
    if about.st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise UsageError(f"{path}: others may read it; make it its owner's alone (chmod 600)")
    if about.st_uid not in (os.geteuid(), 0):
        raise UsageError(f"{path}: it belongs to another user; make it your own (chown)")
