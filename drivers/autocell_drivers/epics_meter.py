"""Meters and shutters over Channel Access."""

from __future__ import annotations

import math

from autocell.bench.protocols import Clock, RawReading
from autocell.errors import NoReply, Refused
from autocell_drivers.epics_channels import INVALID, Channels

_PROCESSED_S = 5.0
"""How long a record may go without being processed: the slowest usual scan, twice. [trade]"""
_POLL_S = 0.01
_SHUTTER_S = 2.0


class PvMeter:
    """An analogue input, in watts. The server's time stamp tells a fresh value from an old one."""

    def __init__(
        self,
        name: str,
        record: str,
        watts_per_unit: float,
        range_w: float,
        averaging_s: float,
        channels: Channels,
        clock: Clock,
    ) -> None:
        self._name = name
        self._record = record
        self._watts = watts_per_unit
        self._range_w = range_w
        self._averaging_s = averaging_s
        self._channels = channels
        self._clock = clock

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        return self._name

    @property
    def reading_time_s(self) -> float:
        """How long one reading takes, as the bench file says."""
        return self._averaging_s

    def read(self) -> RawReading:
        """The first value that was processed a whole averaging time after this call (W).

        Raises Refused while its alarm says INVALID, NoReply when it is not processed at all.
        """
        called_s = self._clock.now()
        deadline = called_s + _PROCESSED_S + 2.0 * self._averaging_s
        before = self._channels.get(self._record)
        while True:
            self._clock.sleep(_POLL_S)
            sample = self._channels.get(self._record)
            now_s = self._clock.now()
            if sample.time_s != before.time_s:
                if now_s >= called_s + self._averaging_s:
                    break
                before = sample
            elif now_s > deadline:
                raise NoReply(
                    f"{self._record} has not been processed for {now_s - called_s:.0f} s; it needs "
                    "a periodic SCAN"
                )
        if sample.severity >= INVALID or isinstance(sample.value, str):
            raise Refused(f"{self._record} is in alarm ({sample.alarm}, invalid); not a reading")
        power_w = sample.value * self._watts
        too_high = sample.is_beyond_its_alarm_limit or abs(power_w) >= self._range_w
        if too_high or not math.isfinite(power_w):
            return RawReading(math.nan, overrange=True)
        return RawReading(power_w)


class PvShutter:
    """A binary output: 1 lets the beam pass, 0 blocks it. It protects nobody."""

    def __init__(self, record: str, channels: Channels, clock: Clock) -> None:
        self._record = record
        self._channels = channels
        self._clock = clock

    def close(self) -> None:
        """Block the beam; returns once the record says so."""
        self._bring_to(0)

    def open(self) -> None:
        """Let the beam pass; returns once the record says so."""
        self._bring_to(1)

    def _bring_to(self, state: int) -> None:
        self._channels.put(self._record, state)
        deadline = self._clock.now() + _SHUTTER_S
        while (found := self._channels.get(self._record)).value != state:
            if self._clock.now() > deadline:
                raise Refused(f"{self._record} was set to {state} and reads {found.value}")
            self._clock.sleep(_POLL_S)
