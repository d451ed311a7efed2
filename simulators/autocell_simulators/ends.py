"""Where the travel of an axis ends: limit switches, and the mechanical ends behind them."""

from __future__ import annotations

from typing import Literal

from autocell_simulators.drives import Drive

Side = Literal["low", "high"]
Switch = Literal["works", "closed", "open"]
HARD_END = 4.0
"""The mechanical end of the travel is so many times as far out as the limit switch. [trade]"""


class Ends:
    """The ends of a travel from ``low`` to ``high``, with switches ``beyond`` outside it.

    A switch that is stuck ``closed`` says so all the time, and lets the shaft turn no further that
    way; one that is stuck ``open`` never does, and the shaft runs to the mechanical end.
    """

    __slots__ = ("_beyond", "_drive", "_high", "_low", "switches")

    def __init__(self, low: float, high: float, beyond: float, drive: Drive) -> None:
        self._low = low
        self._high = high
        self._beyond = beyond
        self._drive = drive
        self.switches: dict[Side, Switch] = {"low": "works", "high": "works"}

    def pressed(self, side: Side, shaft: float) -> bool:
        """Whether the switch says that it is pressed, with the shaft there."""
        if not self._drive.has_switches or self.switches[side] == "open":
            return False
        if self.switches[side] == "closed":
            return True
        if side == "low":
            return shaft <= self._low - self._beyond
        return shaft >= self._high + self._beyond

    def reach(self, shaft: float) -> tuple[float, float]:
        """How far the shaft can turn either way from where it is."""
        beyond = {"works": self._beyond, "open": HARD_END * self._beyond}
        low, high = self.switches["low"], self.switches["high"]
        return (
            shaft if low == "closed" else self._low - beyond[low],
            shaft if high == "closed" else self._high + beyond[high],
        )

    def noticed(self, direction: float) -> bool:
        """Whether the controller sees that an end stops the shaft: by the switch, or an encoder."""
        return self._drive.counts_shaft or self.switches[side_of(direction)] != "open"

    def stop(self, shaft: float, onward: float) -> bool:
        """Whether a motion that goes on this way is ended here; away from an end it never is."""
        if not self._drive.has_switches or onward == 0.0 or not self.noticed(onward):
            return False
        low, high = self.reach(shaft)
        if onward < 0.0:
            return self.pressed("low", shaft) or shaft <= low
        return self.pressed("high", shaft) or shaft >= high


def side_of(direction: float) -> Side:
    """The end towards which this direction (its sign) leads."""
    return "low" if direction < 0.0 else "high"
