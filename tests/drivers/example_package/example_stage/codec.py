"""Bytes of the example stage to SI values and back. No I/O."""

from __future__ import annotations

import re
from collections.abc import Callable

from autocell.errors import BadReply, Refused

WHO = b"WHO\n"
RESOLUTION = 1e-7
"""The last digit on the wire, m or rad."""

_PER_SI = 1e6
_NUMBER = r"(-?\d+\.\d)"


def at(letter: str) -> bytes:
    """Asks where an axis is."""
    return f"AT {letter}\n".encode("ascii")


def go(letter: str, target: float) -> bytes:
    """An absolute move, m or rad."""
    return f"GO {letter} {target * _PER_SI:.1f}\n".encode("ascii")


def halt(letter: str) -> bytes:
    """Stops an axis, or ``ALL``."""
    return f"HALT {letter}\n".encode("ascii")


def busy(letter: str) -> bytes:
    """Asks whether an axis moves."""
    return f"BUSY {letter}\n".encode("ascii")


def identity(raw: bytes) -> str:
    """The answer to ``WHO``. Like every one here, raises BadReply for any other."""
    return _match(r"(STAGE \w+)", raw)


def done(raw: bytes) -> None:
    """The answer to a command."""
    _match(r"(DONE)", raw)


def position(letter: str) -> Callable[[bytes], float]:
    """The answer to ``AT``, m or rad."""
    return lambda raw: float(_match(rf"AT {letter} {_NUMBER}", raw)) / _PER_SI


def busy_bit(letter: str) -> Callable[[bytes], bool]:
    """The answer to ``BUSY``."""
    return lambda raw: _match(rf"BUSY {letter} ([01])", raw) == "1"


def _match(pattern: str, raw: bytes) -> str:
    text = raw.decode("ascii", errors="replace")
    if refusal := re.fullmatch(r"NO (\w+)", text):
        raise Refused(f"the stage answers NO {refusal[1]}")
    found = re.fullmatch(pattern, text, re.ASCII)
    if found is None:
        raise BadReply(f"{text!r} is no answer to what was asked")
    return found[1]
