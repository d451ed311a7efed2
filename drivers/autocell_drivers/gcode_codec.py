"""G-code motion and the real-time protocol of Grbl 1.1 and its kin, to values and back. No I/O.

Motion words are those of RS-274 (G21 millimetres, G53 machine coordinates, G90 absolute, F in units
per minute). The rest is as the firmware's own pages "Interface", "Jogging" and "Settings" have it,
version 1.1.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from autocell.errors import BadReply, Refused
from autocell_drivers.exchange import Unfinished

STATUS = b"?"
HOLD = b"!"
RESET = b"\x18"
CANCEL_JOG = b"\x85"
PARSER_STATE = b"$G\n"
BUILD = b"$I\n"
SETTINGS = b"$$\n"
DECIMALS = 3
LETTERS = "XYZABC"
"""In the order of positions in a report."""

_ERRORS = {
    1: "a word without a letter",
    2: "a number that is none",
    3: "a $ command that it does not know",
    8: "it must be idle for that",
    9: "it is locked, by an alarm or because it moves",
    15: "the target is beyond its travel",
    16: "a jog that is none",
    20: "a command that it does not know",
    22: "no feed rate",
}
_ALARMS = {
    1: "a limit switch was hit, its position is probably lost",
    2: "the target was beyond its travel",
    3: "it was reset while it moved, its position is lost",
    6: "homing failed: it was reset",
    8: "homing failed: a switch did not open again",
    9: "homing failed: no switch was found",
}
_NUMBER = r"-?\d+(?:\.\d+)?"
_REPORT = re.compile(r"<([A-Za-z]+)(?::(\d+))?((?:\|[^|<>]*)*)>", re.ASCII)
_POSITIONS = re.compile(rf"{_NUMBER}(?:,{_NUMBER})*", re.ASCII)
_SETTING = re.compile(rf"\$(\d+)=({_NUMBER})(?:\s.*)?", re.ASCII)
_PUSHED = ("[MSG:", ">", "Grbl", "[echo:")
_STATES = ("Idle", "Run", "Hold", "Jog", "Alarm", "Door", "Check", "Home", "Sleep")

T = TypeVar("T")


@dataclass(frozen=True)
class Report:
    """A status report: machine positions by letter, in mm or degrees."""

    state: str
    substate: int
    positions: Mapping[str, float]
    pins: frozenset[str] = frozenset()

    @property
    def moves(self) -> bool:
        """Whether any axis is on its way, or braking."""
        return self.state in ("Run", "Jog", "Home") or (self.state, self.substate) == ("Hold", 1)


@dataclass(frozen=True)
class Build:
    """Who the controller is, and the letters of its compile-time options."""

    version: str
    options: str = ""


@dataclass
class _Collected:
    lines: list[str] = field(default_factory=list)


def jog(targets: Mapping[str, float], feed_per_min: float) -> bytes:
    """An absolute move of some axes in machine coordinates, mm and degrees, all in one line."""
    words = "".join(f" {letter}{_digits(target)}" for letter, target in targets.items())
    return f"$J=G21 G53 G90{words} F{max(feed_per_min, 0.001):.3f}\n".encode("ascii")


def report(raw: bytes) -> Report:
    """A status report. Raises Unfinished for a message that was pushed before it, Refused for an
    alarm, BadReply for anything else."""
    text = _text(raw)
    found = _REPORT.fullmatch(text)
    if found is None or found[1] not in _STATES:
        raise BadReply(f"{text!r} is no status report")
    fields = dict(part.partition(":")[::2] for part in found[3].split("|")[1:])
    if "WPos" in fields and "MPos" not in fields:
        raise Refused("the controller reports work positions; set $10=1 so that it reports MPos")
    positions = fields.get("MPos", "")
    if _POSITIONS.fullmatch(positions) is None:
        raise BadReply(f"{text!r} tells no machine position")
    numbers = [float(number) for number in positions.split(",")]
    if len(numbers) > len(LETTERS):
        raise BadReply(f"{text!r} has {len(numbers)} axes, more than there are letters")
    return Report(
        found[1],
        int(found[2] or 0),
        dict(zip(LETTERS, numbers, strict=False)),
        frozenset(fields.get("Pn", "")),
    )


def done(raw: bytes) -> None:
    """``ok``. Raises Refused for ``error:``, as all here that an ``ok`` ends."""
    _until_ok(raw, _Collected())


def parser_state() -> Callable[[bytes], str]:
    """What ends an answer to ``$G``: the ``ok`` that follows its line at once. The state itself
    does not matter here, since a jog neither uses nor changes it."""
    last = _Collected()

    def parse(raw: bytes) -> str:
        text = _text(raw)
        before, last.lines = last.lines, [text]
        if text == "ok" and before and before[0].startswith("[GC:"):
            return "G-code"
        if text.startswith("[GC:"):
            raise Unfinished
        raise BadReply(f"{text!r} is no parser state")

    return parse


def build() -> Callable[[bytes], Build]:
    """An answer to ``$I``."""

    def value(lines: list[str]) -> Build:
        fields = {line[1:5]: line[5:-1] for line in lines if re.fullmatch(r"\[\w{3}:.*\]", line)}
        if "VER:" not in fields:
            raise BadReply(f"{lines!r} tells no version")
        return Build(fields["VER:"], fields.get("OPT:", "").partition(",")[0])

    return _collecting(value)


def settings() -> Callable[[bytes], dict[int, float]]:
    """An answer to ``$$``: values by their numbers."""

    def value(lines: list[str]) -> dict[int, float]:
        found = [_SETTING.fullmatch(line) for line in lines]
        told = {int(match[1]): float(match[2]) for match in found if match is not None}
        if not told:
            raise BadReply(f"{lines!r} are no settings")
        return told

    return _collecting(value)


def travel(told: Mapping[int, float], options: str, letter: str) -> tuple[float, float] | None:
    """The ends of an axis by the settings: None where the controller does not enforce them.

    Machine positions run from minus the travel to zero; with the option Z, from zero towards the
    other end than the one that homing looks for.
    """
    place = LETTERS.index(letter)
    length = told.get(130 + place)
    if not told.get(20) or length is None:
        return None
    if "Z" in options and int(told.get(23, 0.0)) >> place & 1:
        return 0.0, length
    return -length, 0.0


def _collecting(value: Callable[[list[str]], T]) -> Callable[[bytes], T]:
    collected = _Collected()

    def parse(raw: bytes) -> T:
        _until_ok(raw, collected)
        lines, collected.lines = collected.lines, []
        return value(lines)

    return parse


def _until_ok(raw: bytes, collected: _Collected) -> None:
    text = _text(raw)
    if text == "ok":
        return
    if found := re.fullmatch(r"error:\s*(\d+)", text, re.ASCII):
        code = int(found[1])
        raise Refused(f"the controller answers {text}: {_ERRORS.get(code, 'see its manual')}")
    if re.fullmatch(r"(\$\d+=|\[[A-Z]{3}:).*", text, re.ASCII):
        collected.lines.append(text)
        raise Unfinished
    raise BadReply(f"{text!r} is no answer to a line")


def _text(raw: bytes) -> str:
    """A line as text. What the controller says unasked is passed over, but for an alarm."""
    try:
        text = raw.decode("ascii").strip()
    except UnicodeDecodeError as error:
        raise BadReply(f"{raw!r} is no ASCII text") from error
    if found := re.fullmatch(r"ALARM:\s*(\d+)", text, re.ASCII):
        meaning = _ALARMS.get(int(found[1]), "see its manual")
        raise Refused(f"the controller is in alarm ({text}): {meaning}")
    if not text or text.startswith(_PUSHED):
        raise Unfinished
    return text


def _digits(value: float) -> str:
    text = f"{value:.{DECIMALS}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text
