"""Axes over Channel Access: what all have in common, and the motor record.

What a put answers says only that it was taken. Where an axis is, and whether it moves, is read.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import Any, ClassVar

from autocell.bench.protocols import Clock
from autocell.errors import LimitError, Refused
from autocell_drivers.epics_channels import INVALID, Channels

LAG_S = 0.5
"""How long an accepted move may go unreported, and how long an axis that says nothing of its motion
must have stood still to be at rest: records are scanned a few times a second. [trade]"""
_PROBLEM, _COMM_ERROR, _HOMED = 1 << 9, 1 << 12, 1 << 14
"""Bits of the motor record's MSTA, by its reference."""


class PvAxis(ABC):
    """What all kinds of axes have in common."""

    _whose_limits = "the limits of its record"

    def __init__(
        self,
        name: str,
        record: str,
        readback: str,
        per_si: float,
        section: Mapping[str, Any],
        channels: Channels,
        clock: Clock,
    ) -> None:
        self._name = name
        self._record = record
        self._readback = readback
        self._per_si = per_si
        self._channels = channels
        self._clock = clock
        repeatability = section.get("repeatability_mm", section.get("repeatability_mrad", 0.0))
        self._near = max(3.0 * float(repeatability) / 1e3 * abs(per_si), 1e-9)
        self._target: float | None = None
        self._sent_at = -math.inf
        self._motion_seen = False

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        return self._name

    def position(self) -> float:
        """Where the readback is, m or rad. Raises Refused while its alarm says INVALID."""
        return self._read_back() / self._per_si

    def start_move(self, target: float) -> None:
        """Ask for an absolute move (m or rad), once; returns when the record has taken it.

        Raises LimitError before anything is written for a target beyond the limits, Refused when
        the record has not taken the target, Disconnected when that cannot be known.
        """
        value = target * self._per_si
        low, high = self._limits()
        if not math.isfinite(target) or not low - self._near <= value <= high + self._near:
            raise LimitError(
                f"axis {self._name}: target {value:g} is beyond {self._whose_limits}, "
                f"{low:g} to {high:g}; nothing was written"
            )
        value = min(max(value, low), high)
        self._check_ready()
        self._motion_seen = False
        self._send(value)

    @abstractmethod
    def _limits(self) -> tuple[float, float]:
        """Low and high, in units of the record."""

    def _send(self, value: float) -> None:
        self._target, self._sent_at = value, self._clock.now()
        self._channels.put(self._record, value)
        self._check_taken(value)

    @abstractmethod
    def _check_ready(self) -> None:
        """Raises Refused for a record that will not move."""

    def _check_taken(self, value: float) -> None:
        found = self._channels.number(self._record)
        if abs(found - value) > max(self._near, 1e-6 * abs(value)):
            raise Refused(
                f"axis {self._name}: {self._record} was set to {value:g} and reads {found:g}"
            )

    def _read_back(self) -> float:
        sample = self._channels.get(self._readback)
        if sample.severity >= INVALID or isinstance(sample.value, str):
            raise Refused(
                f"axis {self._name}: {self._readback} is in alarm ({sample.alarm}, invalid); its "
                "value means nothing"
            )
        if not math.isfinite(sample.value):
            raise Refused(f"axis {self._name}: {self._readback} is {sample.value}")
        return sample.value

    def _is_there(self) -> bool:
        return self._target is None or abs(self._read_back() - self._target) <= self._near

    def _is_over(self, flag: str, moving: float | None = None) -> bool:
        """Whether a move is over, by a record that may lag behind: motion was seen and has ended,
        or the axis is where it was sent, or it has had its time to begin. The record reads
        ``moving``, or anything but zero, while there is motion."""
        late = self._clock.now() >= self._sent_at + LAG_S
        value = self._channels.number(flag)
        reports_motion = value != 0 if moving is None else value == moving
        self._motion_seen |= reports_motion
        if reports_motion:
            return False
        return self._motion_seen or late or self._is_there()


class TellsLimits(PvAxis):
    """An axis whose record has limits."""

    def limits(self) -> tuple[float, float]:
        """The travel that the record allows, low then high, m or rad."""
        low, high = (end / self._per_si for end in self._limits())
        return min(low, high), max(low, high)


class MotorAxis(TellsLimits):
    """A motor record."""

    FIELDS: ClassVar = (
        "RBV", "DMOV", "STOP", "LLM", "HLM", "LLS", "HLS", "EGU", "MSTA", "SPMG", "SET", "BDST",
    )  # fmt: skip

    def __init__(
        self,
        name: str,
        record: str,
        per_si: float,
        section: Mapping[str, Any],
        channels: Channels,
        clock: Clock,
    ) -> None:
        super().__init__(name, record, f"{record}.RBV", per_si, section, channels, clock)
        self._heading = 0.0

    def start_move(self, target: float) -> None:
        """As for every axis here; remembers which way it goes, for the limit switches."""
        self._heading = target * self._per_si - self._read_back()
        super().start_move(target)

    def moving(self) -> bool:
        """Whether the record is not done. Raises Refused for a limit switch that the axis is not
        leaving, for a problem or lost communication of the controller, and for an alarm."""
        self._check_state()
        return not self._is_over(f"{self._record}.DMOV", moving=0)

    def send_stop(self) -> None:
        """Write that it shall stop, and look for nothing: :meth:`stop` does."""
        self._target = None
        self._channels.put(f"{self._record}.STOP", 1, urgent=True)

    def stop(self) -> None:
        """Stop at once and forget the move; returns when the record has been heard again."""
        self.send_stop()
        self._channels.number(f"{self._record}.DMOV", urgent=True)

    def _limits(self) -> tuple[float, float]:
        low, high = self._field("LLM"), self._field("HLM")
        if not low < high:
            raise Refused(
                f"axis {self._name}: its record has lost its limits (LLM {low:g}, HLM {high:g})"
            )
        return low, high

    def _check_ready(self) -> None:
        self._check_state()
        spmg = self._field("SPMG")
        if spmg != 3:
            raise Refused(f"axis {self._name}: {self._record}.SPMG is {spmg:g}, not Go (3)")
        if self._field("SET"):
            raise Refused(
                f"axis {self._name}: {self._record}.SET is Set, which takes a target for a "
                "calibration; set it to Use"
            )
        if self._field("DMOV") == 0:
            raise Refused(f"axis {self._name}: {self._record} is still moving")

    def _check_state(self) -> None:
        state = int(self._field("MSTA"))
        axis = f"axis {self._name} ({self._record})"
        if state & (_PROBLEM | _COMM_ERROR):
            what = "does not reach its controller" if state & _COMM_ERROR else "reports a problem"
            raise Refused(f"{axis} {what}; look at it in the control system")
        if self._heading <= 0.0 and self._field("LLS"):
            raise Refused(f"{axis} is on its low limit switch; find out why before moving it away")
        if self._heading >= 0.0 and self._field("HLS"):
            raise Refused(f"{axis} is on its high limit switch; find out why before moving it away")

    def _field(self, name: str) -> float:
        return self._channels.number(f"{self._record}.{name}")


class _TellsReference(MotorAxis):
    def referenced(self) -> bool:
        """Whether the axis has been homed since power came on (MSTA)."""
        return bool(int(self._field("MSTA")) & _HOMED)


def motor_kind(state: int) -> type[MotorAxis]:
    """An axis that has been homed can lose that; of one that has not, nothing is known."""
    return _TellsReference if state & _HOMED else MotorAxis
