"""What a run has used, and the caps it must not exceed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from autocell.description import BenchDescription, Caps
from autocell.errors import BudgetError

BY_SIGNAL = 40
"""Readings that a way back by the light may take on a bench with open-loop axes."""


@dataclass(frozen=True)
class Usage:
    """What a run has used. ``moves`` counts commands, approach legs included; ``readings`` counts
    averaged readings; ``travel_m`` is of the linear axes."""

    moves: int
    readings: int
    travel_m: float
    elapsed_s: float


class Budget:
    """Counts against the caps of the bench file.

    A run that reaches a cap must still be able to come back: ``reserve`` opens a small allowance
    beyond the caps for the way back and the reading that confirms it.
    """

    def __init__(self, description: BenchDescription) -> None:
        self._caps = description.caps
        counting = sum(axis.open_loop is not None for axis in description.axes.values())
        looking = BY_SIGNAL if counting else 0
        spans_m = [axis.high - axis.low for axis in description.axes.values() if axis.unit == "mm"]
        count = len(description.axes)
        self._reserve = Caps(
            moves=4 * count + 2 * looking * counting,
            readings=5 + looking,
            travel_m=2.0 * sum(spans_m),
            time_s=max(120.0, 0.1 * self._caps.time_s),
        )
        self._reserve_is_open = False
        self._allowance: Caps | None = None
        self.moves = 0
        self.readings = 0
        self.travel_m = 0.0
        self.travelled = dict.fromkeys(description.axes, 0.0)
        """All legs of each axis together, m or rad."""

    def admit_moves(self, elapsed_s: float, moves: int, travel_m: float, expected_s: float) -> None:
        """Raises BudgetError when these moves would exceed a cap; they are not counted yet."""
        caps = self._open_caps()
        self.admit_time(elapsed_s + expected_s)
        if self.moves + moves > caps.moves:
            raise BudgetError(
                f"caps.moves: {self.moves} moves are made, {moves} more would exceed the cap of "
                f"{caps.moves}; raise the cap, or start nearer to the goal"
            )
        if self.travel_m + travel_m > caps.travel_m:
            raise BudgetError(
                f"caps.travel_mm: {self.travel_m * 1e3:.3f} mm are travelled, "
                f"{travel_m * 1e3:.3f} more would exceed the cap of {caps.travel_m * 1e3:g} mm"
            )

    def admit_reading(self, elapsed_s: float) -> None:
        """Raises BudgetError when one more reading would exceed a cap; it is not counted yet."""
        caps = self._open_caps()
        self.admit_time(elapsed_s)
        if self.readings + 1 > caps.readings:
            raise BudgetError(f"caps.readings: the cap of {caps.readings} readings is reached")

    def admit_time(self, elapsed_s: float) -> None:
        """Raises BudgetError when the run would last longer than its cap."""
        cap_s = self._open_caps().time_s
        if elapsed_s > cap_s:
            raise BudgetError(
                f"caps.time_min: this would last until {elapsed_s / 60:.1f} min, beyond the cap "
                f"of {cap_s / 60:g} min"
            )

    @contextmanager
    def allowance(self, caps: Caps, elapsed_s: float) -> Iterator[None]:
        """Within the caps of the run, allow what comes now no more than these."""
        before = self._allowance
        self._allowance = Caps(
            self.moves + caps.moves,
            self.readings + caps.readings,
            self.travel_m + caps.travel_m,
            elapsed_s + caps.time_s,
        )
        try:
            yield
        finally:
            self._allowance = before

    @contextmanager
    def reserve(self) -> Iterator[None]:
        """Allow a little more than the caps, for the way back."""
        before, self._reserve_is_open = self._reserve_is_open, True
        try:
            yield
        finally:
            self._reserve_is_open = before

    def _open_caps(self) -> Caps:
        caps, more = self._caps, self._reserve
        if not self._reserve_is_open:
            step = self._allowance
            return caps if step is None else _lower(caps, step)
        return Caps(
            caps.moves + more.moves,
            caps.readings + more.readings,
            caps.travel_m + more.travel_m,
            caps.time_s + more.time_s,
        )


def _lower(one: Caps, other: Caps) -> Caps:
    return Caps(
        min(one.moves, other.moves),
        min(one.readings, other.readings),
        min(one.travel_m, other.travel_m),
        min(one.time_s, other.time_s),
    )
