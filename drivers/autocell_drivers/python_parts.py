"""Axes, meters and shutters that are somebody else's functions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from autocell.bench.protocols import Clock, RawReading
from autocell.errors import BadReply, LimitError, Refused
from autocell_drivers.foreign_calls import Call, Caller
from autocell_drivers.python_functions import AxisFunctions, MeterFunctions, ShutterFunctions

CALL_S = 2.0
"""Within which a function has to return, unless the bench file says otherwise."""
_ACCEPTED_S = 0.1
"""How long a move that blocks is watched for an early refusal."""
_STOPPED_S = 0.08
"""How long the stop of one axis has to itself, before that of another is called beside it: few
libraries like to be called twice at a time. Five axes take less than half a second. [trade]"""
_REST_S = 0.05
"""Between two looks at an axis that does not say whether it moves."""


class PythonAxis:
    """One axis, moved by somebody else's functions."""

    def __init__(
        self,
        name: str,
        functions: AxisFunctions,
        si_per_unit: float,
        section: Mapping[str, Any],
        call: Caller,
        clock: Clock,
    ) -> None:
        self._name = name
        self._functions = functions
        self._clock = clock
        self._si = si_per_unit
        self._call = call
        repeatability = section.get("repeatability_mm", section.get("repeatability_mrad", 0.0))
        self._still = 3.0 * float(repeatability) / 1e3
        self._move: Call[object] | None = None
        self._stop: Call[object] | None = None
        self._was_stopped = False

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        return self._name

    def position(self) -> float:
        """Where the axis is, m or rad. Raises BadReply for what is no number."""
        what = f"{self._name}: position"
        return _number(what, self._call(what, self._functions.position)) * self._si

    def start_move(self, target: float) -> None:
        """Start an absolute move (m or rad). Raises LimitError for a target that is no number."""
        if not math.isfinite(target):
            raise LimitError(f"axis {self._name}: target {target} is no position; nothing was sent")
        what = f"{self._name}: move"
        value = target / self._si
        self._was_stopped, self._stop = False, None
        if self._functions.moving is not None:
            self._call(what, self._functions.move, value)
            return
        if self._move is not None and not self._move.ended():
            raise Refused(f"{what}: the last move has not returned yet")
        self._move = self._call.beside(what, self._functions.move, value)
        if self._move.ended(_ACCEPTED_S):
            self._move.result()

    def moving(self) -> bool:
        """Whether the axis moves: as ``moving`` says, or else while ``move`` has not returned or
        two looks find it at different places. Raises Refused for what the move raised."""
        if self._functions.moving is not None:
            return bool(self._call(f"{self._name}: moving", self._functions.moving))
        if self._move is not None:
            if not self._move.ended():
                return True
            ended, self._move = self._move, None
            if not self._was_stopped:  # what a move says that was broken off is no news
                ended.result()
        before = self.position()
        self._clock.sleep(_REST_S)
        return abs(self.position() - before) > self._still

    def send_stop(self) -> None:
        """Call ``stop``, whatever else is being called, and do not wait for its end if that takes
        longer than most: :meth:`stop` does."""
        self._was_stopped = True
        self._stop = self._call.beside(f"{self._name}: stop", self._functions.stop)
        self._stop.ended(_STOPPED_S)

    def stop(self) -> None:
        """Stop at once, whatever else is being called."""
        if self._stop is None:
            self.send_stop()
        assert self._stop is not None
        sent, self._stop = self._stop, None
        self._call.wait_for(sent)


class LimitedPythonAxis(PythonAxis):
    def limits(self) -> tuple[float, float]:
        """The ends of the travel, low then high, m or rad."""
        assert self._functions.limits is not None
        what = f"{self._name}: limits"
        told = self._call(what, self._functions.limits)
        try:
            low, high = (_number(what, end) * self._si for end in told)
        except (TypeError, ValueError) as error:
            raise BadReply(f"{what}: {told!r} is no pair of numbers") from error
        return min(low, high), max(low, high)


class PythonMeter:
    """One power meter, read by somebody else's function."""

    def __init__(
        self,
        name: str,
        functions: MeterFunctions,
        watts_per_unit: float,
        range_w: float,
        averaging_s: float,
        call: Caller,
    ) -> None:
        self._name = name
        self._functions = functions
        self._watts = watts_per_unit
        self._range_w = range_w
        self._averaging_s = averaging_s
        self._call = call

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        return self._name

    @property
    def reading_time_s(self) -> float:
        """How long one reading takes, as the bench file says."""
        return self._averaging_s

    def read(self) -> RawReading:
        """Take one fresh reading (W)."""
        what = f"{self._name}: read"
        told = self._call(what, self._functions.read, within_s=CALL_S + 2.0 * self._averaging_s)
        try:
            power_w = float(told) * self._watts
        except (TypeError, ValueError) as error:
            raise BadReply(f"{what}: {told!r} is no number") from error
        if not math.isfinite(power_w) or abs(power_w) >= self._range_w:
            return RawReading(math.nan, overrange=True)
        return RawReading(power_w)


class PythonShutter:
    """A shutter worked by somebody else's functions. It protects nobody."""

    def __init__(self, functions: ShutterFunctions, call: Caller) -> None:
        self._functions = functions
        self._call = call

    def close(self) -> None:
        """Block the beam."""
        self._call("shutter: close", self._functions.close)

    def open(self) -> None:
        """Let the beam pass."""
        self._call("shutter: open", self._functions.open)


def _number(what: str, value: object) -> float:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError) as error:
        raise BadReply(f"{what}: {value!r} is no number") from error
    if not math.isfinite(number):
        raise BadReply(f"{what}: {number} is no finite number")
    return number
