"""SCPI-1999 as text: headers in long and short form, compound messages, numbers, errors."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

_UNIT = re.compile(r"(?P<header>[^\s?]+\??)(?:\s+(?P<arguments>.*))?", re.DOTALL)
_NUMBER = re.compile(r"(?P<value>[+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?)\s*(?P<suffix>[A-Z]*)")
_HEADER = re.compile(r":?[A-Z][A-Z0-9_]*(?::[A-Z][A-Z0-9_]*)*\??|\*[A-Z]+\??")

OVERFLOW = "+9.90000000E+37"
"""SCPI-1999 writes infinity as 9.9E37."""

MESSAGES: Mapping[int, str] = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -131: "Invalid suffix",
    -213: "Init ignored",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}
"""Error numbers of SCPI-1999, volume 2, chapter 21 [mem]."""


class ScpiError(Exception):
    """An error that goes into the instrument's queue."""

    def __init__(self, number: int) -> None:
        super().__init__(f'{number},"{MESSAGES[number]}"')
        self.number = number


@dataclass(frozen=True)
class ProgramUnit:
    """One command or query: its header in capitals from the root, and its arguments."""

    header: str
    arguments: tuple[str, ...]


def units_of(message: str) -> list[str]:
    """The parts of a compound message between semicolons; none of ours carries a string."""
    return [part.strip() for part in message.split(";") if part.strip()]


def parse_unit(text: str, path: str) -> tuple[ProgramUnit, str]:
    """One unit, and the path that the next one starts from.

    A header without a leading colon continues at ``path``; a common command (*...) leaves the
    path as it is.

    Raises:
        ScpiError: -101 or -102 for what is no header at all.
    """
    if not text.isascii() or not text.isprintable():
        raise ScpiError(-101)
    match = _UNIT.fullmatch(text)
    if match is None:
        raise ScpiError(-102)
    header = match["header"].upper()
    if not _HEADER.fullmatch(header):
        raise ScpiError(-102)
    arguments = tuple(part.strip() for part in (match["arguments"] or "").split(",") if part)
    if header.startswith("*"):
        return ProgramUnit(header, arguments), path
    full = header[1:] if header.startswith(":") else path + header
    return ProgramUnit(full, arguments), full[: full.rfind(":") + 1]


def header_pattern(template: str) -> re.Pattern[str]:
    """What matches a header written as in manuals: ``SENSe#:POWer[:DC]:WAVelength?``.

    Capitals are the short form, brackets may be left out, ``#`` stands for an optional 1.
    """
    pattern = ""
    for token in re.findall(r"[A-Za-z]+|[\[\]:?*#]", template):
        if token.isalpha():
            short = "".join(letter for letter in token if letter.isupper())
            pattern += f"(?:{token.upper()}|{short})"
        else:
            pattern += {"[": "(?:", "]": ")?", "#": "1?", ":": ":", "?": r"\?", "*": r"\*"}[token]
    return re.compile(pattern)


def number(text: str, units: Mapping[str, float]) -> float:
    """A decimal number with an optional unit; ``units`` gives the factor of each.

    Raises:
        ScpiError: -104 for what is no number, -131 for a unit that is not among ``units``, -222
            for a number beyond all numbers.
    """
    match = _NUMBER.fullmatch(text.upper())
    if match is None:
        raise ScpiError(-104)
    if match["suffix"] and match["suffix"] not in units:
        raise ScpiError(-131)
    value = float(match["value"]) * units.get(match["suffix"], 1.0)
    if math.isinf(value):
        raise ScpiError(-222)
    return value


def boolean(text: str) -> bool:
    """ON, OFF or a number, of which zero is off. Raises ScpiError -104."""
    named = {"ON": True, "OFF": False}.get(text.upper())
    return bool(round(number(text, {}))) if named is None else named


def scientific(value: float) -> str:
    """A measured value as instruments write it, infinity as 9.9E37."""
    return OVERFLOW if math.isinf(value) else f"{value:+.8E}"
