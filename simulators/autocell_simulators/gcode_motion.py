"""A motion board that takes G-code, as Grbl 1.1 does by its pages "Interface", "Commands" and
"Jogging": bytes in, bytes out, no I/O, no clock.

The axes it is given have been advanced to the present before it is fed. It differs from a real
board in that each axis of a block goes at a speed of its own, so that a path need not be straight,
and in that it looks for its next block when it is fed.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from autocell_simulators.answers import AnswersAtOnce
from autocell_simulators.mechanics import MoveRefusedError, SimulatedAxis

_WELCOME = b"\r\nGrbl 1.1h ['$' for help]\r\n"
_LOCKED = b"[MSG:'$H'|'$X' to unlock]\r\n"
_LETTERS = "XYZABC"
_LONGEST_LINE = 80
_MM_PER_INCH = 25.4
_WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))")
_JOG_G = {20.0, 21.0, 53.0, 90.0, 91.0}
_MODAL_G = {0.0, 1.0, 20.0, 21.0, 53.0, 90.0, 91.0}


class _ErrorCode(Exception):
    """What a line is answered with instead of ``ok``."""


@dataclass(frozen=True)
class _Block:
    """A motion in the planner: targets in wire units."""

    targets: Mapping[str, float]
    jog: bool


class GcodeMotion(AnswersAtOnce):
    """A board with its axes, by letter, and what one m or rad is in its millimetres or degrees.

    ``soft_limits`` refuses targets beyond the travel, which must then begin or end at zero.
    """

    __slots__ = (
        "_absolute",
        "_alarm",
        "_axes",
        "_feed",
        "_held",
        "_homing",
        "_inches",
        "_motion_word",
        "_name",
        "_now",
        "_per_si",
        "_queue",
        "_soft_limits",
    )

    def __init__(
        self,
        axes: Mapping[str, SimulatedAxis],
        per_si: Mapping[str, float],
        *,
        name: str = "BOG-BOARD",
        soft_limits: bool = True,
    ) -> None:
        super().__init__()
        self._axes = axes
        self._per_si = per_si
        self._name = name
        self._soft_limits = soft_limits
        self._queue: deque[_Block] = deque()
        self._now: _Block | None = None
        self._held = self._homing = False
        self._alarm = not all(axis.referenced for axis in axes.values())
        self._absolute, self._inches, self._feed, self._motion_word = True, False, 0.0, 0

    def feed(self, data: bytes, now_s: float) -> None:
        """Take in bytes. Single bytes with a meaning of their own never become part of a line."""
        for byte in data:
            self._go_on()
            char = bytes([byte])
            if char == b"?":
                if not self._homing:
                    self._ready += self._report()
            elif char == b"!":
                self._hold()
            elif char == b"~":
                self._resume()
            elif char == b"\x18":
                self._reset()
            elif byte == 0x85:
                self._cancel_jog()
            elif byte < 0x80 and char in b"\r\n":
                # A carriage return and line feed are two ends, the second of an empty line.
                line, self._buffer = self._buffer, b""
                self._ready += self._answer(line)
            elif byte < 0x80 and char != b"\0":
                self._buffer = (self._buffer + char)[: _LONGEST_LINE + 1]
        self._go_on()

    def _in_motion(self) -> bool:
        return any(axis.in_motion for axis in self._axes.values())

    def _state(self) -> str:
        if self._alarm:
            return "Alarm"
        if self._homing:
            return "Home"
        if self._held:
            return "Hold:1" if self._in_motion() else "Hold:0"
        if self._now is not None:
            return "Jog" if self._now.jog else "Run"
        return "Idle"

    def _go_on(self) -> None:
        """End the block whose axes have come to rest, and begin the next."""
        if any(not axis.referenced for axis in self._axes.values()) and not self._homing:
            self._alarm, self._now = True, None
            self._queue.clear()
        if self._in_motion() or self._held:
            return
        if self._homing:
            self._homing = False
            self._alarm = not all(axis.referenced for axis in self._axes.values())
            self._ready += b"ALARM:9\r\n" if self._alarm else b"ok\r\n"
        self._now = None
        if self._queue and not self._alarm:
            self._begin(self._queue.popleft())

    def _begin(self, block: _Block) -> None:
        self._now = block
        for letter, target in block.targets.items():
            axis = self._axes[letter]
            position = target / self._per_si[letter]
            if abs(position - axis.counter) < axis.traits.resolution:
                continue
            try:
                axis.move_to(position)
            except MoveRefusedError:
                self._brake()
                self._queue.clear()
                self._alarm, self._now = True, None
                self._ready += b"ALARM:1\r\n[MSG:Reset to continue]\r\n"
                return

    def _hold(self) -> None:
        if self._alarm or self._homing:
            return
        if self._now is not None and self._now.jog:
            self._cancel_jog()
            return
        self._held = True
        self._brake()

    def _resume(self) -> None:
        if not self._held or self._in_motion():
            return
        self._held = False
        if self._now is not None:
            self._begin(self._now)

    def _cancel_jog(self) -> None:
        if self._now is None or not self._now.jog:
            return
        self._queue.clear()
        self._brake()

    def _reset(self) -> None:
        lost = self._in_motion()
        code = b"ALARM:6\r\n" if self._homing else b"ALARM:3\r\n"
        self._brake()
        self._buffer = b""
        self._queue.clear()
        self._now, self._held, self._homing = None, False, False
        self._absolute, self._inches, self._feed, self._motion_word = True, False, 0.0, 0
        if lost:
            self._alarm = True
            self._ready += code
        self._ready += _WELCOME + (_LOCKED if self._alarm else b"")

    def _brake(self) -> None:
        for axis in self._axes.values():
            axis.stop()

    def _report(self) -> bytes:
        letters = _LETTERS[: max(3, 1 + max(map(_LETTERS.index, self._axes)))]
        positions = ",".join(f"{self._position(letter):.3f}" for letter in letters)
        pins = "".join(
            letter
            for letter, axis in self._axes.items()
            if axis.at_low_switch or axis.at_high_switch
        )
        tail = f"|Pn:{pins}" if pins else ""
        return f"<{self._state()}|MPos:{positions}|FS:{self._feed:.0f},0{tail}>\r\n".encode("ascii")

    def _position(self, letter: str) -> float:
        if letter not in self._axes:
            return 0.0
        return round(self._axes[letter].counter * self._per_si[letter], 3) + 0.0

    def _answer(self, raw: bytes) -> bytes:
        line = re.sub(r"\s|\([^)]*\)|;.*", "", raw.decode("ascii", errors="replace")).upper()
        if len(raw) > _LONGEST_LINE:
            return b"error:11\r\n"
        try:
            if line.startswith("$"):
                return self._system(line)
            if line:
                self._gcode(line)
        except _ErrorCode as code:
            return f"error:{code}\r\n".encode("ascii")
        return b"ok\r\n"

    def _system(self, line: str) -> bytes:
        state = self._state()
        at_rest = state in ("Idle", "Alarm")
        if line.startswith("$J="):
            if state not in ("Idle", "Jog"):
                raise _ErrorCode(8)
            self._jog(line[3:])
            return b"ok\r\n"
        if line == "$G":
            modes = f"G{self._motion_word} G54 G17 G{20 if self._inches else 21} G90 G94 M5 M9"
            return f"[GC:{modes} T0 F{self._feed:g} S0]\r\nok\r\n".encode("ascii")
        if line == "$$":
            if state not in ("Idle", "Alarm", "Jog"):
                raise _ErrorCode(8)
            return self._settings()
        if line not in ("$I", "$X", "$H"):
            raise _ErrorCode(3)
        if not at_rest or (line == "$H" and self._in_motion()):
            raise _ErrorCode(8)
        if line == "$I":
            told = f"[VER:1.1h.20190825:{self._name}]\r\n[OPT:VZ,15,128]\r\nok\r\n"
            return told.encode("ascii")
        if line == "$X":
            was_locked, self._alarm = self._alarm, False
            for axis in self._axes.values():
                axis.referenced = True
            return b"[MSG:Caution: Unlocked]\r\nok\r\n" if was_locked else b"ok\r\n"
        self._alarm, self._homing = False, True
        for axis in self._axes.values():
            axis.home()
        return b""

    def _settings(self) -> bytes:
        from_zero = sum(
            1 << _LETTERS.index(letter)
            for letter, axis in self._axes.items()
            if axis.traits.low >= 0.0
        )
        told = {10: "1", 13: "0", 20: str(int(self._soft_limits)), 22: "1", 23: str(from_zero)}
        for letter, axis in self._axes.items():
            place, per_si = _LETTERS.index(letter), self._per_si[letter]
            told[100 + place] = f"{1.0 / (axis.traits.resolution * per_si):.3f}"
            told[110 + place] = f"{60.0 * axis.traits.speed * per_si:.3f}"
            told[120 + place] = f"{axis.traits.acceleration * per_si:.3f}"
            told[130 + place] = f"{(axis.traits.high - axis.traits.low) * per_si:.3f}"
        lines = "".join(f"${number}={told[number]}\r\n" for number in sorted(told))
        return f"{lines}ok\r\n".encode("ascii")

    def _jog(self, text: str) -> None:
        words = _words(text)
        codes = {value for letter, value in words if letter == "G"}
        if codes - _JOG_G or {letter for letter, _ in words} - set(_LETTERS) - {"F", "G"}:
            raise _ErrorCode(16)
        if not any(letter == "F" for letter, _ in words):
            raise _ErrorCode(22)
        inches = 20.0 in codes or (self._inches and 21.0 not in codes)
        absolute = 90.0 in codes or (self._absolute and 91.0 not in codes)
        targets = self._targets(words, inches, absolute)
        if not targets:
            raise _ErrorCode(26)
        self._check_travel(targets, 15)
        self._append(_Block(targets, jog=True))

    def _gcode(self, text: str) -> None:
        if self._alarm or (self._now is not None and self._now.jog):
            raise _ErrorCode(9)
        words = _words(text)
        codes = [value for letter, value in words if letter == "G"]
        if set(codes) - _MODAL_G or {letter for letter, _ in words} - set(_LETTERS) - {"F", "G"}:
            raise _ErrorCode(20)
        for code in codes:
            if code in (20.0, 21.0):
                self._inches = code == 20.0
            elif code in (90.0, 91.0):
                self._absolute = code == 90.0
            elif code in (0.0, 1.0):
                self._motion_word = int(code)
        self._feed = next((value for letter, value in words if letter == "F"), self._feed)
        targets = self._targets(words, self._inches, self._absolute)
        if not targets:
            return
        if self._motion_word == 1 and self._feed == 0.0:
            raise _ErrorCode(22)
        self._check_travel(targets, 33)
        self._append(_Block(targets, jog=False))

    def _targets(
        self, words: list[tuple[str, float]], inches: bool, absolute: bool
    ) -> dict[str, float]:
        after = self._queue[-1] if self._queue else self._now
        targets = {}
        for letter, value in words:
            if letter in ("F", "G"):
                continue
            if letter not in self._axes:
                raise _ErrorCode(20)
            millimetres = value * _MM_PER_INCH if inches and letter in "XYZ" else value
            from_here = self._position(letter)
            if after is not None:
                from_here = after.targets.get(letter, from_here)
            targets[letter] = millimetres if absolute else from_here + millimetres
        return targets

    def _check_travel(self, targets: Mapping[str, float], code: int) -> None:
        for letter, target in targets.items():
            traits = self._axes[letter].traits
            if not traits.low <= target / self._per_si[letter] <= traits.high:
                self._axes[letter].counts.limit_violations += 1
                raise _ErrorCode(code)

    def _append(self, block: _Block) -> None:
        self._queue.append(block)
        if not self._held:
            self._go_on()


def _words(text: str) -> list[tuple[str, float]]:
    words = _WORD.findall(text)
    if "".join(letter + number for letter, number in words) != text:
        raise _ErrorCode(2 if text[:1].isalpha() else 1)
    return [(letter, float(number)) for letter, number in words]
