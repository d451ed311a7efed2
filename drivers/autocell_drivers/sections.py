"""Values that a driver takes out of its sections of a bench file."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import Any

from autocell.errors import BenchFileError
from autocell_drivers.lasting_line import RECONNECT_S


def refuse_unknown(section: Mapping[str, Any], known: Collection[str], where: str) -> None:
    """Raises BenchFileError for a key that nobody reads."""
    for key in section:
        if key not in known:
            raise BenchFileError(
                f"{where}.{key} is not a key of this driver; it knows {', '.join(sorted(known))}"
            )


def text(section: Mapping[str, Any], key: str, where: str) -> str:
    """A text that must be there."""
    value = section.get(key)
    if not isinstance(value, str) or not value:
        raise BenchFileError(f"{where}.{key} is {value!r}; write a text")
    return value


def whole_number(
    section: Mapping[str, Any], key: str, where: str, *, default: int | None = None
) -> int:
    """A positive whole number."""
    value = section.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise BenchFileError(f"{where}.{key} is {value!r}; write a whole number from 1 on")
    return value


def positive(
    section: Mapping[str, Any], key: str, where: str, *, default: float | None = None
) -> float:
    """A positive, finite number."""
    value = section.get(key, default)
    if (
        isinstance(value, bool)
        or not isinstance(value, int | float)
        or not math.isfinite(value)
        or value <= 0
    ):
        raise BenchFileError(f"{where}.{key} is {value!r}; write a number above zero")
    return float(value)


def reconnect_s(section: Mapping[str, Any], where: str) -> float:
    """``reconnect_s``: how long a line that has gone is waited for; 0 is not at all."""
    value = section.get("reconnect_s", RECONNECT_S)
    if value == 0 and not isinstance(value, bool):
        return 0.0
    return positive(section, "reconnect_s", where, default=RECONNECT_S)


def direction(section: Mapping[str, Any], where: str) -> int:
    """``direction``: 1, or -1 for an instrument that counts the other way."""
    value = section.get("direction", 1)
    if isinstance(value, bool) or value not in (1, -1):
        raise BenchFileError(f"{where}.direction is {value!r}; write 1 or -1")
    return int(value)
