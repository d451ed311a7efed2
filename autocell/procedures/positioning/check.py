"""Measure what reversals of the axes lose, by short moves around where the bench stands.

Each axis is sent to a few targets from below and from above, a few times over, as ISO 230-2 does
it. What the controller reads there gives the figures of the standard; the light gives what the
controller may not see. Then the bench is brought back to where it stood.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from autocell.bench.bench import Bench
from autocell.bench.first_moves import with_first_move
from autocell.bench.metering import SETTLE_S
from autocell.bench.plan import PlannedMove, plan_move, plan_straight, trade
from autocell.description import AxisDescription, BenchDescription
from autocell.errors import (
    AutocellError,
    BudgetError,
    DeviceError,
    LimitError,
    ReadingError,
    UsageError,
)
from autocell.outcome import Outcome, Verdict
from autocell.procedures.ending import back_after, used, wrong_way
from autocell.procedures.light_search import Light
from autocell.procedures.positioning.figures import Positioning
from autocell.procedures.positioning.light import Approach, Seen, look
from autocell.procedures.positioning.steps import StepsLearned, learn_steps
from autocell.procedures.progress import Listener, Progress, nobody
from autocell.procedures.tuning import READING_NOISE

PLACES = (0.0, 0.27, 0.49, 0.76, 1.0)
"""Of the targets on the way of an axis: not evenly, so that a periodic error does not hide (ISO
230-2 has a random part in each; from memory)."""

_SHARE = 0.02
"""Of its range: how far apart the outermost targets of an axis are, unless that is too short
beside what a reversal loses."""

_FEWEST, _MOST = 2, 10


@dataclass(frozen=True)
class Course:
    """The way of one axis in a check: its targets, upwards, m or rad, and the two places beyond
    them where it turns round; all of that ``cycles`` times."""

    axis: AxisDescription
    targets: tuple[float, ...]
    turn_low: float
    turn_high: float
    cycles: int

    def moves(self, start: float) -> Iterator[PlannedMove]:
        """Every move from ``start`` on, in order, and the way back there."""
        at, moves = start, [self.turn_low]
        for _ in range(self.cycles):
            moves += [*self.targets, self.turn_high, *reversed(self.targets), self.turn_low]
        for target in moves:
            move = plan_straight(self.axis, at, target)
            if move is not None:
                yield move
                at = target
        back = plan_move(self.axis, at, start, backlash_is_out=False)
        if back is not None:
            yield back


@dataclass(frozen=True)
class AxisChecked:
    """What a check found of one axis: as its controller reads, and as the light shows where there
    was any. ``finding`` says in words what that means."""

    axis: AxisDescription
    positioning: Positioning
    light: Seen | None
    cycles: int

    @property
    def read_reversal(self) -> float | None:
        """The mean reversal that the controller reads, m or rad; None when it is no more than the
        axis scatters by."""
        mean = self.positioning.mean_reversal
        return mean if abs(mean) > 3.0 * self.axis.repeatability else None

    @property
    def lost(self) -> float | None:
        """What a reversal loses of the light's way, m or rad: a value of three standard
        uncertainties at least; zero where it is surely less than half of what the bench file
        allows, or than the axis scatters by; None when the light tells neither."""
        if self.light is None:
            return None
        size, axis = abs(self.light.lost), self.axis
        if size > max(3.0 * self.light.u, axis.repeatability):
            return self.light.lost
        negligible = max(0.5 * axis.backlash, 3.0 * axis.repeatability)
        return 0.0 if size + 2.0 * self.light.u < negligible else None

    @property
    def backlash(self) -> float:
        """The most that a reversal may lose by what was measured, m or rad: with twice its standard
        uncertainty by the light, else as it reads. Zero when nothing was seen of it."""
        if self.light is not None and self.lost is not None:
            return abs(self.light.lost) + 2.0 * self.light.u
        return 0.0 if self.read_reversal is None else self.positioning.reversal

    @property
    def compensated(self) -> bool | None:
        """Whether the controller makes up for what a reversal loses, or nothing is lost; None when
        that cannot be told."""
        return None if self.lost is None else self.lost == 0.0

    @property
    def finding(self) -> str:
        """What the figures mean, and what they cannot tell."""
        return f"{self._reversal_in_words()}; {self._sign_in_words()}"

    def _reversal_in_words(self) -> str:
        axis, lost, read = self.axis, self.lost, self.read_reversal
        if self.light is None:
            dark = "there was no light to see more by"
        else:
            dark = (
                "the light changes too little here to show more; at the edge of a plateau it would"
            )
        if lost is not None and lost < 0.0:
            return (
                "the controller makes up for more backlash than there is: by the light "
                f"{_short(axis, lost)} too much at a reversal"
            )
        if lost is None and read is None:
            return f"the position that is read shows no reversal, and {dark}"
        if lost is None:
            return (
                f"the position that is read differs by {_short(axis, read or 0.0)} between both "
                f"sides: its encoder sees the backlash, or the controller counts what it adds to "
                f"make up for it; {dark}"
            )
        most = _short(axis, self.backlash)
        if lost == 0.0 and read is None:
            return (
                f"by the light a reversal loses no more than {most}: there is no backlash, or the "
                "controller makes up for it"
            )
        if lost == 0.0:
            return (
                f"the controller makes up for backlash: it goes {_short(axis, read or 0.0)} "
                f"further after a reversal, and the light loses no more than {most}"
            )
        if read is None:
            return (
                f"a reversal loses {_short(axis, lost)} that the position does not show: the "
                "encoder is before the gear, and the controller does not make up for it"
            )
        return (
            f"a reversal loses {_short(axis, lost)}, and the position that is read shows "
            f"{_short(axis, read)}: the controller sees it and does not make up for it"
        )

    def _sign_in_words(self) -> str:
        agrees = None if self.light is None else self.light.agrees
        if agrees is None:
            return "whether it moves the light the right way is not decided"
        return "it moves the light the right way" if agrees else wrong_way(self.axis)


@dataclass(frozen=True)
class MotionChecked:
    """What a check of the axes came to: the outcome, and each axis that was finished; of open-loop
    axes what their steps do."""

    outcome: Outcome
    axes: tuple[AxisChecked, ...]
    steps: tuple[StepsLearned, ...] = ()


def open_loop_axes(bench: Bench, names: Iterable[str] = ()) -> list[str]:
    """Those of the named axes, or of all, that count their steps: they have no course."""
    axes = bench.description.axes
    return [name for name in (list(names) or axes) if name in axes and axes[name].open_loop]


def plan_courses(bench: Bench, names: Iterable[str] = (), cycles: int = 3) -> list[Course]:
    """Where each of the named axes, or every one, would go, those that count their steps left out:
    the light leads them. It reads positions only.

    Raises UsageError for an axis that is not there or has no room, for too few or too many cycles,
    and when all together would need more than the bench file's caps allow.
    """
    description = bench.description
    chosen = list(names) or list(description.axes)
    for name in chosen:
        if name not in description.axes:
            raise UsageError(f"no axis {name!r}; there are: {', '.join(description.axes)}")
    if not _FEWEST <= cycles <= _MOST:
        raise UsageError(f"{cycles} cycles: a check has {_FEWEST} to {_MOST}")
    positions = bench.positions()
    courses = [
        _course(description, name, positions[name], cycles)
        for name in chosen
        if description.axes[name].open_loop is None
    ]
    moves = [move for course in courses for move in course.moves(positions[course.axis.name])]
    legs, cap = sum(len(move.legs) for move in moves), description.caps.moves
    if legs > cap:
        raise UsageError(
            f"caps.moves: this check takes {legs} moves, and the bench file allows {cap}; check "
            "fewer axes at a time, or with fewer cycles"
        )
    return courses


def course_moves(bench: Bench, courses: Sequence[Course]) -> list[PlannedMove]:
    """Every move of these courses, in order, with the first moves of axes that never made one."""
    positions, tried = bench.positions(), bench.tried()
    moves = []
    for course in courses:
        name = course.axis.name
        for move in course.moves(positions[name]):
            moves.append(move if tried[name] else with_first_move(move))
            tried[name] = True
    return moves


def check_motion(
    bench: Bench, names: Iterable[str] = (), *, cycles: int = 3, listener: Listener = nobody
) -> MotionChecked:
    """Check the named axes, or every one, and go back to where the bench stood.

    *Unchanged* when all could be checked; *held*, at the start, when a cap or a limit ended it
    early or an axis moves the light the wrong way; *failed* when an instrument did not do its part:
    then they go back once it answers again, within a minute, or are stopped where they are. What
    was finished by then is told in any case.

    Raises UsageError before anything moves, as :func:`plan_courses` does, and Stopped.
    """
    courses, counting = plan_courses(bench, names, cycles), open_loop_axes(bench, names)
    checked: list[AxisChecked] = []
    learned: list[StepsLearned] = []
    check = _Check(bench, listener)

    def ended(outcome: Outcome) -> MotionChecked:
        return MotionChecked(outcome, tuple(checked), tuple(learned))

    try:
        check.begin()
        for course in courses:
            checked.append(check.axis(course))
            check.back(course)
        for name in counting:
            learned.append(check.steps(name))
    except (BudgetError, LimitError, ReadingError) as error:
        return ended(check.held(str(error)))
    except DeviceError as error:
        return ended(check.failed(str(error), error))
    wrong = [axis.axis for axis in checked if axis.light and axis.light.agrees is False]
    astray = [steps.back.words for steps in learned if steps.back.as_before is False]
    if wrong or astray:
        reason = "; ".join([*map(wrong_way, wrong), *astray])
        return ended(used(bench, Verdict.HELD, reason))
    told = []
    if courses:
        told.append(f"{', '.join(course.axis.name for course in courses)} checked from both sides")
    if counting:
        told.append(f"the steps of {', '.join(counting)} looked at by their light")
    return ended(used(bench, Verdict.UNCHANGED, f"{'; '.join(told)}; back at the start"))


class _Check:
    """A check while it lasts."""

    def __init__(self, bench: Bench, listener: Listener) -> None:
        self._bench = bench
        self._listener = listener
        self._light = False
        self._before: Light | None = None

    def begin(self) -> None:
        """Look whether there is light enough to see by."""
        bench = self._bench
        self._tell("the dark level, and the light where the bench stands")
        bench.measure_dark()
        reading = bench.read_power("is there light?", READING_NOISE)
        self._before = Light.of(reading)
        self._light = reading.power_w > 10.0 * reading.uncertainty_w

    def axis(self, course: Course) -> AxisChecked:
        """Carry one course out."""
        bench, name = self._bench, course.axis.name
        home = bench.setting
        up, down = [], []
        approaches: list[Approach] = []
        self._go(course, course.turn_low)
        for cycle in range(1, course.cycles + 1):
            which = f"{name}: cycle {cycle} of {course.cycles}"
            self._tell(f"{which}, upwards")
            up.append([self._visit(course, t, False, approaches) for t in course.targets])
            self._go(course, course.turn_high)
            self._tell(f"{which}, downwards")
            back = [self._visit(course, t, True, approaches) for t in reversed(course.targets)]
            down.append(back[::-1])
            self._go(course, course.turn_low)
        targets = np.array(course.targets)
        positioning = Positioning.of(np.array(up) - targets, np.array(down) - targets)
        seen = None
        if approaches:
            middle = 0.5 * (course.targets[0] + course.targets[-1])
            off = middle - bench.description.positions(home)[name]
            around = type(home).from_array(home.as_array() + np.array(course.axis.effect) * off)
            seen = look(bench.description, course.axis, around, approaches)
        return AxisChecked(course.axis, positioning, seen, course.cycles)

    def steps(self, name: str) -> StepsLearned:
        """Learn the steps of an open-loop axis, and bring it back by its light.

        Raises ReadingError in the dark, where they would lead nowhere.
        """
        if not self._light:
            raise ReadingError(f"{name} counts its steps, and there is no light to see them by")
        return learn_steps(self._bench, name, self._tell)

    def back(self, course: Course) -> None:
        """Bring the axis back to where it stood; the others have not moved."""
        bench, name = self._bench, course.axis.name
        home = bench.description.positions(bench.home_setting)[name]
        bench.move_axes({name: home}, "back from the motion check")

    def held(self, reason: str) -> Outcome:
        """Back to the start, and why."""
        bench = self._bench
        try:
            bench.return_home()
        except DeviceError as error:
            return self.failed(f"{reason}; {error}", error)
        except AutocellError as error:
            bench.stop()
            return used(bench, Verdict.HELD, f"{reason}; the way back failed: {error}")
        return used(bench, Verdict.HELD, f"{reason}; back at the start")

    def failed(self, reason: str, error: DeviceError) -> Outcome:
        """An instrument did not do its part: back to the start once it answers again, or stopped
        everywhere, and why."""
        words = back_after(self._bench, self._before, error)
        return used(self._bench, Verdict.FAILED, f"{reason}; {words}")

    def _go(self, course: Course, target: float) -> None:
        self._bench.move_straight(course.axis.name, target, "motion check")

    def _visit(
        self, course: Course, target: float, from_above: bool, approaches: list[Approach]
    ) -> float:
        """Go to a target, and read the light where there is any; where the axis reads then."""
        bench, name = self._bench, course.axis.name
        self._go(course, target)
        if self._light:
            power = bench.read_power("motion check", READING_NOISE)
            approaches.append(Approach(target, from_above, power.power_w, power.uncertainty_w))
        else:
            bench.clock.sleep(SETTLE_S)
        return bench.positions()[name]

    def _tell(self, text: str) -> None:
        usage = self._bench.usage
        self._listener(Progress("motion", text, usage.elapsed_s, usage.readings))


def _course(description: BenchDescription, name: str, position: float, cycles: int) -> Course:
    axis = description.axes[name]
    turn = 3.0 * axis.backlash + 10.0 * axis.repeatability
    width = max(_SHARE * (axis.high - axis.low), 4.0 * turn)
    low, high = description.reach(name)
    low, high = low + turn, high - turn
    if not low <= high - width or not axis.low <= position <= axis.high:
        raise UsageError(
            f"{name}: a check needs {trade(axis, width + 2.0 * turn)} within what its limits and "
            f"the minimum gap leave, and stands at {trade(axis, position)}; widen the limits, or "
            "leave this axis out"
        )
    begin = min(max(position - 0.5 * width, low), high - width)
    targets = tuple(begin + place * width for place in PLACES)
    return Course(axis, targets, begin - turn, begin + width + turn, cycles)


def _short(axis: AxisDescription, value: float) -> str:
    unit = {"mm": "µm", "mrad": "µrad"}[axis.unit]
    return f"{abs(value) * 1e6:.3g} {unit}"
