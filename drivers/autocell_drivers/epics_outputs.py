"""Axes over Channel Access that are no motor records: an output that something follows, and a
record that says where it is.

Such a pair may know neither limits nor how to stop. Where the bench file says so, its own limits
are those that bind, and the axis is led to its target in strides: a stop is then that none follows.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from autocell.bench.protocols import Clock
from autocell.errors import BenchFileError, Refused
from autocell_drivers import sections
from autocell_drivers.epics_axes import LAG_S, PvAxis, TellsLimits
from autocell_drivers.epics_channels import Channels

_KEYS = ("readback", "moving", "stop", "stride", "no_drive_limits")


@dataclass(frozen=True)
class Output:
    """Records that belong to one that moves an axis, and what it cannot do. ``stride`` is the most
    that is asked of it at once, in its own units."""

    readback: str
    moving: str | None = None
    stop: str | None = None
    stride: float | None = None
    no_drive_limits: bool = False

    @classmethod
    def of(cls, told: object, where: str) -> Output:
        """From the bench file. Raises BenchFileError."""
        if not isinstance(told, Mapping):
            raise BenchFileError(f"{where}: write {{readback: RECORD}}")
        sections.refuse_unknown(told, _KEYS, where)
        unlimited = told.get("no_drive_limits", False)
        if not isinstance(unlimited, bool):
            raise BenchFileError(f"{where}.no_drive_limits is {unlimited!r}; write true or false")
        return cls(
            sections.text(told, "readback", where),
            sections.text(told, "moving", where) if "moving" in told else None,
            sections.text(told, "stop", where) if "stop" in told else None,
            sections.positive(told, "stride", where) if "stride" in told else None,
            unlimited,
        )

    @property
    def records(self) -> list[str]:
        """Those that there are."""
        return [name for name in (self.readback, self.moving, self.stop) if name is not None]


class OutputAxis(PvAxis):
    """An output that something follows, within the limits of the bench file alone."""

    _whose_limits = "the limits of the bench file"

    def __init__(
        self,
        name: str,
        record: str,
        output: Output,
        per_si: float,
        section: Mapping[str, Any],
        channels: Channels,
        clock: Clock,
    ) -> None:
        super().__init__(name, record, output.readback, per_si, section, channels, clock)
        self._output = output
        self._shows_its_way = output.readback == record
        ends = section["limits_mm" if "limits_mm" in section else "limits_mrad"]
        self._bench_limits = sorted(float(end) / 1e3 * per_si for end in ends)
        self._goal: float | None = None
        self._stop_sent: object = None
        self._last_seen: float | None = None
        self._still_since = -math.inf

    def moving(self) -> bool:
        """Whether it is on its way; the next stride, where there is one to go, leaves from here.

        As ``moving`` says; without it, while the readback is not at what is written and has
        changed within half a second.
        """
        if not self._is_at_rest():
            return True
        if self._goal is None or self._target == self._goal or not self._is_there():
            return False
        self._stride()
        return True

    def send_stop(self) -> None:
        """See to it that no stride follows, and that the axis is sent to where it is as soon as
        that is answered; wait for nothing: :meth:`stop` does. Where one record does not answer, the
        axes of others are told all the same."""
        self._goal = self._target = None
        self._stop_sent = mine = object()
        self._channels.copy(self._readback, self._record, lambda: self._stop_sent is mine)

    def stop(self) -> None:
        """Stop at once: no stride follows, and the axis is sent to where it is.

        Raises NoReply, with nothing written, when that is not answered within a second.
        """
        self._goal = self._target = self._last_seen = None
        here = self._channels.number(self._readback, urgent=True)
        self._stop_sent = None
        self._channels.put(self._record, here, urgent=True)
        taken = self._channels.number(self._record, urgent=True)
        if not self._shows_its_way and abs(taken - here) > max(self._near, 1e-6 * abs(here)):
            raise Refused(f"axis {self._name}: {self._record} does not take that it shall stop")

    def _send(self, value: float) -> None:
        self._goal, self._stop_sent = value, None
        self._stride()

    def _stride(self) -> None:
        """Go on towards the goal, by no more than may be asked at once."""
        assert self._goal is not None
        waypoint, longest = self._goal, self._output.stride
        if longest is not None:
            here = self._read_back()
            waypoint = min(max(waypoint, here - longest), here + longest)
        self._motion_seen = False
        super()._send(waypoint)

    def _check_ready(self) -> None:
        """An output says nothing of its being ready: it is."""

    def _check_taken(self, value: float) -> None:
        if not self._shows_its_way:  # else it need not be there yet
            super()._check_taken(value)

    def _is_at_rest(self) -> bool:
        if self._output.moving is not None:
            return self._is_over(self._output.moving)
        here, now = self._read_back(), self._clock.now()
        wanted = self._target if self._shows_its_way else self._channels.number(self._record)
        if wanted is not None and abs(here - wanted) <= self._near:
            return True
        if self._sent_at == -math.inf and self._last_seen is None:
            # Nobody here has sent it anywhere: whether it moves is seen by looking twice.
            self._last_seen, self._still_since = here, now
            self._clock.sleep(LAG_S)
            here, now = self._read_back(), self._clock.now()
        if self._last_seen is None or abs(here - self._last_seen) > self._near:
            self._last_seen, self._still_since = here, now
        return now >= max(self._still_since, self._sent_at) + LAG_S

    def _limits(self) -> tuple[float, float]:
        low, high = self._bench_limits
        return low, high


class LimitedOutputAxis(OutputAxis, TellsLimits):
    """An output with drive limits."""

    _whose_limits = "the limits of its record"

    def _limits(self) -> tuple[float, float]:
        low, high = drive_limits(self._channels, self._record)
        if not low < high:
            raise Refused(
                f"axis {self._name}: {self._record} has no drive limits (DRVL {low:g}, DRVH "
                f"{high:g}); set them, or write no_drive_limits for a record that can have none"
            )
        return low, high


class StoppableOutput(OutputAxis):
    """An output with a record that stops it."""

    def send_stop(self) -> None:
        """Write that it shall stop, and look for nothing: :meth:`stop` does."""
        assert self._output.stop is not None
        self._goal = self._target = None
        self._channels.put(self._output.stop, 1, urgent=True)

    def stop(self) -> None:
        """Stop at once, by its record for that and by sending the axis to where it is."""
        self.send_stop()
        super().stop()


class LimitedStoppableOutput(LimitedOutputAxis, StoppableOutput):
    """An output with both."""


def output_kind(output: Output) -> type[OutputAxis]:
    """What an axis can do by the records that belong to it."""
    if output.stop is None:
        return OutputAxis if output.no_drive_limits else LimitedOutputAxis
    return StoppableOutput if output.no_drive_limits else LimitedStoppableOutput


def drive_limits(channels: Channels, record: str) -> tuple[float, float]:
    """What a record lets be written to it (DRVL, DRVH); equal ones mean none."""
    _, low, high = channels.control(record)
    return low, high
