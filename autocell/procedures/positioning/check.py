"""Measure what reversals of the axes lose, by short moves around where the bench stands.

Each axis is sent to a few targets from below and from above, a few times over, as ISO 230-2 does
it. What the controller reads there gives the figures of the standard; the light gives what the
controller may not see. Then the bench is brought back to where it stood.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from autocell.bench.bench import Bench
from autocell.bench.metering import SETTLE_S
from autocell.errors import AutocellError, BudgetError, DeviceError, LimitError, ReadingError
from autocell.outcome import Outcome, Verdict
from autocell.procedures.ending import back_after, used, wrong_way
from autocell.procedures.light_search import Light
from autocell.procedures.positioning.axis_checked import AxisChecked
from autocell.procedures.positioning.figures import Positioning
from autocell.procedures.positioning.light import Approach, look
from autocell.procedures.positioning.steps import StepsLearned, learn_steps
from autocell.procedures.positioning.traverse import Traverse, open_loop_axes, plan_traverses
from autocell.procedures.progress import Listener, Progress, nobody
from autocell.procedures.tuning import READING_NOISE


@dataclass(frozen=True)
class MotionChecked:
    """What a check of the axes came to: the outcome, and each axis that was finished; of open-loop
    axes what their steps do."""

    outcome: Outcome
    axes: tuple[AxisChecked, ...]
    steps: tuple[StepsLearned, ...] = ()


def check_motion(
    bench: Bench, names: Iterable[str] = (), *, cycles: int = 3, listener: Listener = nobody
) -> MotionChecked:
    """Check the named axes, or every one, and go back to where the bench stood.

    *Unchanged* when all could be checked; *held*, at the start, when a cap or a limit ended it
    early or an axis moves the light the wrong way; *failed* when an instrument did not do its part:
    then they go back once it answers again, within a minute, or are stopped where they are. What
    was finished by then is told in any case.

    Raises UsageError before anything moves, as :func:`plan_traverses` does, and Stopped.
    """
    traverses, counting = plan_traverses(bench, names, cycles), open_loop_axes(bench, names)
    checked: list[AxisChecked] = []
    learned: list[StepsLearned] = []
    check = _Check(bench, listener)

    def ended(outcome: Outcome) -> MotionChecked:
        return MotionChecked(outcome, tuple(checked), tuple(learned))

    try:
        check.begin()
        for traverse in traverses:
            checked.append(check.axis(traverse))
            check.back(traverse)
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
    if traverses:
        told.append(
            f"{', '.join(traverse.axis.name for traverse in traverses)} checked from both sides"
        )
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

    def axis(self, traverse: Traverse) -> AxisChecked:
        """Carry one traverse out."""
        bench, name = self._bench, traverse.axis.name
        home = bench.setting
        up, down = [], []
        approaches: list[Approach] = []
        self._go(traverse, traverse.turn_low)
        for cycle in range(1, traverse.cycles + 1):
            which = f"{name}: cycle {cycle} of {traverse.cycles}"
            self._tell(f"{which}, upwards")
            up.append([self._visit(traverse, t, False, approaches) for t in traverse.targets])
            self._go(traverse, traverse.turn_high)
            self._tell(f"{which}, downwards")
            back = [self._visit(traverse, t, True, approaches) for t in reversed(traverse.targets)]
            down.append(back[::-1])
            self._go(traverse, traverse.turn_low)
        targets = np.array(traverse.targets)
        positioning = Positioning.of(np.array(up) - targets, np.array(down) - targets)
        seen = None
        if approaches:
            middle = 0.5 * (traverse.targets[0] + traverse.targets[-1])
            off = middle - bench.description.positions(home)[name]
            around = type(home).from_array(home.as_array() + np.array(traverse.axis.effect) * off)
            seen = look(bench.description, traverse.axis, around, approaches)
        return AxisChecked(traverse.axis, positioning, seen, traverse.cycles)

    def steps(self, name: str) -> StepsLearned:
        """Learn the steps of an open-loop axis, and bring it back by its light.

        Raises ReadingError in the dark, where they would lead nowhere.
        """
        if not self._light:
            raise ReadingError(f"{name} counts its steps, and there is no light to see them by")
        return learn_steps(self._bench, name, self._tell)

    def back(self, traverse: Traverse) -> None:
        """Bring the axis back to where it stood; the others have not moved."""
        bench, name = self._bench, traverse.axis.name
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

    def _go(self, traverse: Traverse, target: float) -> None:
        self._bench.move_straight(traverse.axis.name, target, "motion check")

    def _visit(
        self, traverse: Traverse, target: float, from_above: bool, approaches: list[Approach]
    ) -> float:
        """Go to a target, and read the light where there is any; where the axis reads then."""
        bench, name = self._bench, traverse.axis.name
        self._go(traverse, target)
        if self._light:
            power = bench.read_power("motion check", READING_NOISE)
            approaches.append(Approach(target, from_above, power.power_w, power.uncertainty_w))
        else:
            bench.clock.sleep(SETTLE_S)
        return bench.positions()[name]

    def _tell(self, text: str) -> None:
        usage = self._bench.usage
        self._listener(Progress("motion", text, usage.elapsed_s, usage.readings))
