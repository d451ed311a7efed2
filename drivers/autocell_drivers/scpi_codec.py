"""Messages of IEEE 488.2 and SCPI-1999 to values and back. No I/O."""

from __future__ import annotations

import math
import re
import string
from collections.abc import Mapping
from dataclasses import dataclass, field

from autocell.bench.protocols import RawReading
from autocell.errors import BadReply

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_SPECIAL = {"INF": math.inf, "+INF": math.inf, "-INF": -math.inf, "NINF": -math.inf}
_OVERFLOW = 9.9e37
"""SCPI-1999 volume 1, 7.2.1: infinity is written 9.9E37, minus infinity −9.9E37 and not a number
9.91E37."""
_NO_ERROR = re.compile(r"([+-]?\d+)\s*,\s*(.*)", re.ASCII)


def text(raw: bytes) -> str:
    """A reply as text. Raises BadReply for bytes that are no ASCII."""
    try:
        return raw.decode("ascii").strip()
    except UnicodeDecodeError as error:
        raise BadReply(f"{raw!r} is no ASCII text") from error


def identity(raw: bytes) -> str:
    """A reply to ``*IDN?``: four fields with commas between (IEEE 488.2, 10.14)."""
    found = text(raw)
    if found.count(",") != 3 or not found.isprintable():
        raise BadReply(f"{found!r} is no identity of an IEEE 488.2 instrument")
    return found


def number(raw: bytes) -> float:
    """A decimal number (IEEE 488.2 NR1, NR2 or NR3), or what SCPI writes for none.

    Values at or beyond 9.9E37 become ±inf, 9.91E37 and NAN become NaN. Raises BadReply.
    """
    found = text(raw).upper()
    if found == "NAN":
        return math.nan
    if found in _SPECIAL:
        return _SPECIAL[found]
    if _NUMBER.fullmatch(found) is None:
        raise BadReply(f"{found!r} is not a number")
    value = float(found)
    if abs(value) > 1.0005 * _OVERFLOW and math.isfinite(value):
        return math.nan
    return math.copysign(math.inf, value) if abs(value) >= _OVERFLOW else value


def reading(raw: bytes, range_w: float) -> RawReading:
    """A reply to ``READ?`` in watts.

    At or beyond the range the detector counts as saturated. A power of more than twice the range
    is none that the instrument can measure but a damaged reply, say one that lost its exponent:
    BadReply.
    """
    value = number(raw)
    if not math.isfinite(value):
        return RawReading(math.nan, overrange=True)
    if abs(value) > 2.0 * range_w:
        raise BadReply(f"{text(raw)!r} W is more than the range of {range_w:g} W can show")
    if abs(value) >= range_w:
        return RawReading(math.nan, overrange=True)
    return RawReading(value)


def complete(raw: bytes) -> None:
    """A reply to ``*OPC?``, which is 1 once all is done (IEEE 488.2, 10.19). Raises BadReply."""
    if text(raw).removeprefix("+") != "1":
        raise BadReply(f"{text(raw)!r} does not say that the operation is complete")


def error(raw: bytes) -> tuple[int, str]:
    """A reply to ``SYSTem:ERRor?``: number (0 is none) and text (SCPI-1999 volume 2, 21.8)."""
    found = _NO_ERROR.fullmatch(text(raw))
    if found is None:
        raise BadReply(f"{text(raw)!r} is no entry of an error queue")
    return int(found[1]), found[2].strip('"')


def same(found: str, expected: str) -> bool:
    """Whether a setting reads back as it should.

    Numbers agree within a thousandth: instruments round what they are told. Words agree whatever
    their case.
    """
    try:
        return math.isclose(number(found.encode()), number(expected.encode()), rel_tol=1e-3)
    except (BadReply, UnicodeEncodeError):
        return found.strip().upper() == expected.strip().upper()


@dataclass(frozen=True)
class SettingTemplate:
    """One row of ``power_meter.settings``: what to send, what to ask, what to expect; and once it
    is filled in, which values the expected answer tells."""

    set: str
    ask: str
    expect: str
    tells: frozenset[str] = field(default=frozenset(), compare=False)

    def fill(self, values: Mapping[str, float]) -> SettingTemplate:
        """With the values in. Raises ValueError naming the part and what is wrong with it."""
        filled = {}
        for part in ("set", "ask", "expect"):
            template = getattr(self, part)
            try:
                filled[part] = string.Formatter().vformat(template, (), values)
            except KeyError as missing:
                raise ValueError(
                    f"{part}: no field is called {missing}; the fields are {', '.join(values)}"
                ) from missing
            except (ValueError, IndexError, AttributeError, TypeError) as wrong:
                raise ValueError(f"{part}: {template!r} cannot be filled in ({wrong})") from wrong
            if not filled[part].isascii() or not filled[part].isprintable():
                raise ValueError(f"{part}: {filled[part]!r} is not printable ASCII")
        fields = string.Formatter().parse(self.expect)
        return SettingTemplate(**filled, tells=frozenset(name for _, name, _, _ in fields if name))
