"""Moves axes and waits until they are there: several at once, each approached from below."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass

from autocell.bench import first_moves
from autocell.bench.guard import Guard
from autocell.bench.plan import (
    PlannedMove,
    plan_move,
    plan_straight,
    time_limit,
    trade,
    travel_time,
)
from autocell.bench.protocols import Clock
from autocell.bench.trust import Trust
from autocell.description import BenchDescription
from autocell.errors import AutocellError, MotionError, Refused

_POLL_S = 0.01
_LONGEST_WAIT_S = 0.25
_IDLE_S = 0.3
"""How long an axis may rest away from its target: controllers report idle for a moment after
they accept a move, and settle for a moment after they end it."""


@dataclass
class _Flight:
    """A planned move under way: the leg it is on, and what the watch over it remembers.

    ``straight`` says that it comes from whichever side, with what a reversal loses left in it.
    """

    move: PlannedMove
    legs_left: list[float]
    straight: bool = False
    start: float = 0.0
    leg: float = 0.0
    started_s: float = 0.0
    idle_since_s: float | None = None
    progress: float = 0.0
    progress_s: float = 0.0

    @property
    def distance(self) -> float:
        """How far the present leg goes, m or rad."""
        return abs(self.leg - self.start)

    @property
    def tolerance(self) -> float:
        """How near to the end of a leg counts as there, m or rad: an encoder on the load shows
        what a reversal loses."""
        axis = self.move.axis
        return 3.0 * axis.repeatability + (axis.overshoot if self.straight else 0.0)


class Motion:
    """Carries out moves through the guard."""

    def __init__(self, description: BenchDescription, guard: Guard, clock: Clock) -> None:
        self._description = description
        self._guard = guard
        self._clock = clock
        self._backlash_is_out = dict.fromkeys(description.axes, False)

    def plan(self, targets: Mapping[str, float], *, straight: bool = False) -> list[PlannedMove]:
        """The moves that bring these axes to their targets (m or rad); it reads positions only.

        Axes that are there already are left out. ``straight`` leaves the backlash in. Raises
        LimitError.
        """
        starts = {name: self._guard.position(name) for name in targets}
        return self._planned(targets, starts, straight=straight)

    def expected_s(self, targets: Mapping[str, float]) -> float:
        """How long it takes to bring these axes to their targets (m or rad) from where they were
        last seen. It asks no instrument anything. Raises LimitError."""
        starts = {name: self._guard.trust.last_seen(name) for name in targets}
        moves = self._planned(targets, starts)
        return max((move.expected_s for move in moves), default=0.0)

    def _planned(
        self, targets: Mapping[str, float], starts: Mapping[str, float], *, straight: bool = False
    ) -> list[PlannedMove]:
        moves = []
        for name, target in targets.items():
            axis, start = self._description.axes[name], starts[name]
            out = self._backlash_is_out[name]
            move = (
                plan_straight(axis, start, target)
                if straight
                else plan_move(axis, start, target, backlash_is_out=out)
            )
            if move is not None:
                tried = self._guard.trust.tried(name)
                moves.append(move if tried else first_moves.with_first_move(move))
        self._guard.limits.check(moves)
        return moves

    def move(self, targets: Mapping[str, float], purpose: str, *, straight: bool = False) -> None:
        """Bring axes to their targets (m or rad), all at once; returns when all have arrived.

        With ``straight`` from whichever side they come, which leaves the backlash in. An axis has
        arrived when its controller says so and it reads back on its target. Whatever goes wrong,
        the axes under way are told to stop first. Raises LimitError, BudgetError or Stopped before
        anything is sent; MotionError or another DeviceError afterwards.
        """
        moves = self.plan(targets, straight=straight)
        self._guard.admit(moves)
        flights = [_Flight(move, list(move.legs), straight) for move in moves]
        try:
            for flight in flights:
                self._start_leg(flight, flight.move.start, purpose)
            while flights:
                self._clock.sleep(self._pause(flights))
                self._guard.halting.raise_if_stopped()
                flights = [flight for flight in flights if not self._arrived(flight, purpose)]
        except BaseException as error:
            self._abandon(error)
            raise

    def _start_leg(self, flight: _Flight, start: float, purpose: str) -> None:
        flight.start, flight.leg = start, flight.legs_left.pop(0)
        self._backlash_is_out[flight.move.axis.name] = False
        self._guard.start(flight.move, flight.leg, start, purpose)
        flight.started_s = flight.progress_s = self._clock.now()
        flight.progress = start
        flight.idle_since_s = None

    def _pause(self, flights: list[_Flight]) -> float:
        """Sleep through what is expected, in pieces short enough to notice trouble."""
        first_s = min(f.started_s + travel_time(f.move.axis, f.distance) for f in flights)
        return min(max(first_s - self._clock.now(), _POLL_S), _LONGEST_WAIT_S)

    def _arrived(self, flight: _Flight, purpose: str) -> bool:
        """Whether the whole move has ended well; starts the next leg when one is done."""
        name = flight.move.axis.name
        # Answers may be long on their way, on a line that comes and goes: they are of now at least.
        asked_s = self._clock.now()
        moving = self._guard.moving(name)
        position = self._guard.position(name)
        if not self._on_its_way(flight, position):
            position = self._guard.position(name)  # not every line notices a flipped bit
        self._check_way(flight, position)
        if moving or abs(position - flight.leg) > flight.tolerance:
            self._check_progress(flight, moving, position, asked_s)
            return False
        self._guard.check_reference(name)
        self._guard.ended(name, position, "arrived")
        asked = flight.leg - flight.start
        if not self._guard.trust.tried(name) and first_moves.tells(flight.move.axis, asked):
            self._guard.found_right(name, asked, position - flight.start)
        if flight.legs_left:
            self._start_leg(flight, position, purpose)
            return False
        self._backlash_is_out[name] = not flight.straight
        self._guard.trust.arrived(name)
        return True

    def _on_its_way(self, flight: _Flight, position: float) -> bool:
        play = self._guard.trust.tolerance(flight.move.axis.name) + 0.05 * flight.distance
        low, high = sorted((flight.start, flight.leg))
        return low - play <= position <= high + play

    def _check_way(self, flight: _Flight, position: float) -> None:
        """Raises MotionError when an axis is where no way to its target leads."""
        axis = flight.move.axis
        if not self._on_its_way(flight, position):
            self._refuse_first_move(flight, position)
            self._guard.lose(
                axis.name,
                f"it reads {trade(axis, position)} on the way from {trade(axis, flight.start)} to "
                f"{trade(axis, flight.leg)}; it ran away, its direction is wrong, or its "
                "controller was switched off",
            )

    def _refuse_first_move(self, flight: _Flight, position: float) -> None:
        """Raises MotionError when this is a first move and shows a wrong sign or scale."""
        axis = flight.move.axis
        if self._guard.trust.tried(axis.name):
            return
        story = first_moves.wrong(axis, flight.start, flight.leg, position)
        if story is not None:
            self._guard.lose(axis.name, "its first move showed a wrong sign or scale", story)

    def _check_progress(self, flight: _Flight, moving: bool, position: float, now: float) -> None:
        """Raises MotionError when an axis sticks, rests away from its target, or is late."""
        axis = flight.move.axis
        here, there = trade(axis, position), trade(axis, flight.leg)
        if abs(position - flight.progress) > flight.tolerance:
            flight.progress, flight.progress_s = position, now
        if moving:
            flight.idle_since_s = None
            stall_s = 1.0 + 10.0 * flight.tolerance / axis.speed + axis.speed / axis.acceleration
            if now - flight.progress_s > stall_s:
                raise MotionError(
                    f"{axis.name} sticks: sent to {there}, it has rested at {here} for "
                    f"{stall_s:.1f} s while its controller reports motion"
                )
        elif flight.idle_since_s is None:
            flight.idle_since_s = now
        elif now - flight.idle_since_s > _IDLE_S:
            self._refuse_first_move(flight, position)
            raise MotionError(
                f"{axis.name} stopped at {here}, sent to {there}; does it stick, or is a switch "
                "in its way?"
            )
        limit_s = time_limit(axis, flight.distance)
        if now - flight.started_s > limit_s:
            raise MotionError(
                f"{axis.name} is at {here}, not yet at {there}, after {limit_s:.1f} s; is its "
                "speed as the bench file says?"
            )

    def _abandon(self, error: BaseException) -> None:
        """Stop what is under way, let it brake, then write down where it came to rest."""
        under_way = self._guard.under_way
        failures = self._guard.halting.halt(under_way)
        axes = [self._description.axes[name] for name in under_way]
        self._clock.sleep(max((axis.speed / axis.acceleration for axis in axes), default=0.0))
        failed = isinstance(error, Exception)
        for name in under_way:
            trust = Trust.LOST if isinstance(error, Refused) else Trust.ESTIMATED
            self._guard.trust.lower(name, trust, f"its move was broken off: {error}")
            # Where it came to rest is worth asking, but only of a controller that still answers.
            try:
                if name in failures:
                    self._guard.set_adrift(name)
                else:
                    self._guard.position(name)
            except AutocellError:
                self._guard.set_adrift(name)
            outcome = f"failed: {error}" if failed else "stopped"
            with contextlib.suppress(AutocellError):
                self._guard.ended(name, self._guard.trust.last_seen(name), outcome)
