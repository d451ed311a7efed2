"""The one door to the hardware. Every command passes here, and is refused here before a byte
leaves: limits, minimum gap, caps, position trust, and the stop that nothing follows."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from typing import NoReturn

from autocell.bench.budget import Budget, Usage
from autocell.bench.halting import Halting
from autocell.bench.limits import Limits
from autocell.bench.open_loop import OpenLoopAxes
from autocell.bench.plan import PlannedMove
from autocell.bench.protocols import Axis, Clock, Journal, ReportsReference
from autocell.bench.trust import Trust, TrustBook
from autocell.description import BenchDescription
from autocell.errors import AutocellError, MotionError, Refused, StoreError

_READ_AT_FIRST = 3
"""Times that an axis may contradict itself when it is met."""


class Guard:
    """Owns the axes. ``axes`` has one entry for each axis of the description.

    Moves are admitted as a whole, then sent leg by leg; each leg is written to the journal
    before it is sent and after it has ended. ``limits`` says where axes may be sent, ``halting``
    stops them.
    """

    def __init__(
        self,
        description: BenchDescription,
        axes: Mapping[str, Axis],
        clock: Clock,
        journal: Journal,
    ) -> None:
        self._description = description
        self._axes = dict(axes)
        self._clock = clock
        self._journal = journal
        self._opened_s = clock.now()
        self._under_way: dict[str, int] = {}
        self._ways: dict[str, tuple[float, float]] = {}
        self._adrift: dict[str, tuple[float, float]] = {}
        self.at_rest_since_s = 0.0
        self.trust = TrustBook(description.axes.values())
        self.budget = Budget(description)
        self.open_loop = OpenLoopAxes(
            description, axes, self.trust, self.budget.travelled, self._tell
        )
        self.limits = Limits(description, self.trust, self.open_loop)
        self.halting = Halting(description, self._axes, self._under_way, self.trust, self._tell)

    @property
    def time_s(self) -> float:
        """Bench time since the run began."""
        return self._clock.now() - self._opened_s

    @property
    def usage(self) -> Usage:
        """What the run has used so far."""
        budget = self.budget
        return Usage(budget.moves, budget.readings, budget.travel_m, self.time_s)

    def position(self, name: str) -> float:
        """Where the axis reads, m or rad.

        Raises MotionError, once, for an axis that was at rest and reads elsewhere than before:
        its position is lost from then on.
        """
        position = self._axes[name].position()
        believed = self.trust.trust(name) is not Trust.LOST
        under_way = name in self._under_way or self._drifts_to(name, position)
        if not (under_way or self.trust.stayed(name, position)):
            position = self._axes[name].position()  # not every line notices a flipped bit
        if not self.trust.seen(name, position, moved=under_way) and believed:
            self.lose(name, self.trust.why(name))
        return position

    def check_reference(self, name: str) -> None:
        """Raises MotionError when the controller says that it does not know where the axis is."""
        axis = self._axes[name]
        if isinstance(axis, ReportsReference) and not axis.referenced():
            self.lose(name, "its controller has no reference; was it switched off?")

    def lose(self, name: str, why: str, plainly: str | None = None) -> NoReturn:
        """Believe an axis no more: it is told to stop, that is written down, MotionError raised,
        with what is to be said of it if the cure is another than is usual."""
        if name in self._under_way:
            self.halting.halt([name])
        self.trust.lower(name, Trust.LOST, why)
        self._tell("trust", f"{name}: position lost, {why}")
        raise MotionError(plainly or self.trust.lost_in_words(name, why))

    def found_right(self, name: str, asked: float, went: float) -> None:
        """Take note of a first move that went the right way and as far as asked (m or rad)."""
        self.trust.found_right(name)
        unit = self._description.axes[name].unit
        self._tell(
            "first move",
            f"{name}: asked to go by {asked * 1e3:+.4f} {unit}, it went by {went * 1e3:+.4f} "
            f"{unit} as it reads; whether the light agrees it does not tell",
        )

    def look_around(self) -> list[str]:
        """Meet every axis for the first time; what was found that needs telling.

        An axis that still moves, as after a crash of whoever sent it, is stopped, and so is one on
        a switch or in fault, which may move. Those and one without a reference are lost from the
        start.
        """
        found = []
        for name, axis in self._axes.items():
            try:
                if axis.moving():
                    found.append(f"{name}: it was moving when the bench was opened; it was stopped")
                    self._stop_on_meeting(name)
                    self.trust.lower(name, Trust.ESTIMATED, "it was stopped on its way")
                if isinstance(axis, ReportsReference) and not axis.referenced():
                    self.trust.lower(name, Trust.LOST, "its controller has no reference")
            except Refused as error:  # which does not tell whether it moves
                self._stop_on_meeting(name)
                self.trust.lower(name, Trust.LOST, str(error))
            self._meet(name)
            if self.trust.trust(name) is Trust.LOST:
                found.append(self.trust.lost_in_words(name))
        return found

    def _stop_on_meeting(self, name: str) -> None:
        """Stop an axis that somebody else has sent, and give it the time to come to rest."""
        with contextlib.suppress(Refused):  # it complains, and has been told all the same
            self._axes[name].stop()
        traits = self._description.axes[name]
        self._clock.sleep(traits.speed / traits.acceleration)

    def _meet(self, name: str) -> None:
        """Note where an axis stands, once it has read there twice: there is nothing before it that
        a flipped bit would stand out from, and everything after it is judged by it."""
        axis, tolerance = self._axes[name], self.trust.tolerance(name)
        places = [axis.position()]
        for _ in range(_READ_AT_FIRST):
            places.append(axis.position())
            if abs(places[-1] - places[-2]) <= tolerance:
                self.trust.seen(name, places[-1], moved=False)
                return
        unit = self._description.axes[name].unit
        told = ", ".join(f"{place * 1e3:.4f}" for place in places)
        self.trust.seen(name, places[-1], moved=False)
        self.trust.lower(name, Trust.LOST, f"at rest it read {told} {unit}, one after the other")

    def positions(self) -> dict[str, float]:
        """Where every axis reads, m or rad."""
        return {name: self.position(name) for name in self._axes}

    def admit(self, moves: Sequence[PlannedMove]) -> None:
        """Whether all these moves may be made, decided before the first is sent.

        Raises Stopped after a stop, MotionError for an axis whose position is lost, LimitError,
        or BudgetError.
        """
        self.halting.raise_if_stopped()
        for move in moves:
            self.limits.check_trust(move)
        self.limits.check(moves)
        travel_m = sum(move.travel for move in moves if move.axis.unit == "mm")
        legs = sum(len(move.legs) for move in moves)
        expected_s = max((move.expected_s for move in moves), default=0.0)
        self.budget.admit_moves(self.time_s, legs, travel_m, expected_s)

    def start(self, move: PlannedMove, leg: float, start: float, purpose: str) -> None:
        """Send one leg of an admitted move: written down first, then sent.

        Raises StoreError when it cannot be written, and LimitError when an axis whose first move
        nobody has seen would go further than such a move may; then nothing is sent.
        """
        name = move.axis.name
        self.halting.raise_if_stopped()
        self.limits.check_leg(move, leg)
        self.limits.check_first_move(move, leg, start)
        self._under_way[name] = self._journal.move_intended(self.time_s, name, start, leg, purpose)
        self._ways[name] = (min(start, leg), max(start, leg))
        self._adrift.pop(name, None)
        self.budget.moves += 1
        self.budget.travelled[name] += abs(leg - start)
        if move.axis.unit == "mm":
            self.budget.travel_m += abs(leg - start)
        self.halting.raise_if_stopped()
        self._axes[name].start_move(leg)

    def moving(self, name: str) -> bool:
        """Whether the controller reports motion. Raises Refused for a fault or a limit switch."""
        return self._axes[name].moving()

    def ended(self, name: str, position: float, outcome: str) -> None:
        """A leg has ended: ``arrived``, ``stopped`` or ``failed: why``."""
        number = self._under_way.pop(name, None)
        self.at_rest_since_s = self.time_s
        if number is not None:
            self._journal.move_ended(number, self.time_s, position, outcome)
        self.open_loop.rested(name)

    @property
    def under_way(self) -> tuple[str, ...]:
        """Axes that were sent somewhere and have not ended."""
        return tuple(self._under_way)

    def check_reading(self) -> None:
        """Raises Stopped, MotionError while an axis is under way, or BudgetError for the time."""
        self.halting.raise_if_stopped()
        if self._under_way:
            raise MotionError(f"no reading while {', '.join(self._under_way)} is moving")
        self.budget.admit_time(self.time_s)

    def admit_reading(self) -> None:
        """Raises as :meth:`check_reading` does, and BudgetError when the readings are used up."""
        self.check_reading()
        self.budget.admit_reading(self.time_s)

    def set_adrift(self, name: str) -> None:
        """An axis under way is no longer watched, and nobody saw where it came to rest: it may be
        anywhere on its way, and is at rest only once it has confirmed a stop."""
        self._adrift[name] = self._ways[name]

    def halt_all(self) -> dict[str, Exception]:
        """Tell every axis to stop and see those at rest that were left on their way; who raised
        what. Moves are allowed afterwards. Raises Stopped when a stop is asked for meanwhile."""
        failures = self.halting.halt(self._axes, until_asked=True)
        self.halting.raise_if_stopped()
        adrift = [name for name in self._adrift if name not in failures]
        axes = [self._description.axes[name] for name in adrift]
        self._clock.sleep(max((axis.speed / axis.acceleration for axis in axes), default=0.0))
        for name in adrift:
            try:
                self._see_at_rest(name)
            except AutocellError as error:
                failures[name] = error
        self.halting.halted()
        return failures

    def doubt(self, name: str, trust: Trust, why: str) -> None:
        """Believe an axis less, for a reason that the guard cannot see; written down."""
        self.trust.lower(name, trust, why)
        self._tell("trust", f"{name}: {trust.value}, {why}")

    def tells_reference(self, name: str) -> bool:
        """Whether the controller says of itself when it no longer knows where the axis is."""
        return isinstance(self._axes[name], ReportsReference)

    def restore_trust(self, name: str, cause: str) -> None:
        """Believe an axis again, because it was homed or the light says so; written down."""
        self.trust.restore(name, cause)
        self.open_loop.kept(name)
        self._tell("trust", f"{name}: known again, {cause}")

    def check_references(self) -> None:
        """Raises MotionError when a controller says that it does not know where an axis is."""
        for name in self._axes:
            self.check_reference(name)

    def _drifts_to(self, name: str, position: float) -> bool:
        """Whether an axis that nobody watched to the end of its way may have come to rest here."""
        if name not in self._adrift:
            return False
        (low, high), play = self._adrift[name], self.trust.tolerance(name)
        return low - play <= position <= high + play

    def _see_at_rest(self, name: str) -> None:
        """Believe again where an axis that was adrift reads. Raises MotionError while it moves, and
        when it reads where its way does not lead or its controller has lost its position."""
        try:
            if self._axes[name].moving():
                raise MotionError(f"{name} was told to stop and still moves")
        except Refused as error:
            self.lose(name, str(error))
        self.position(name)
        del self._adrift[name]

    def _tell(self, kind: str, text: str) -> None:
        # A full disk must neither keep an axis from stopping nor hide why trust was lost.
        with contextlib.suppress(StoreError):
            self._journal.event(self.time_s, kind, text)
