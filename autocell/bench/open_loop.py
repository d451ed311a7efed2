"""The open-loop axes of a bench: where they are believed to be, how surely, and what says so."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from autocell.bench.plan import trade
from autocell.bench.protocols import Axis
from autocell.bench.step_counting import StepCounter, StepState
from autocell.bench.trust import Trust, TrustBook
from autocell.description import ROUNDING, AxisDescription, BenchDescription, OpenLoopDescription
from autocell.errors import LimitError

Keep = Callable[[str, StepState], None]


class OpenLoopAxes:
    """Those of ``axes`` that count their steps, by name; on most benches there are none.

    ``travelled`` is how far each axis has gone in this run, kept by whoever counts it; ``tell``
    writes an event down, by its kind and in words.
    """

    def __init__(
        self,
        description: BenchDescription,
        axes: Mapping[str, Axis],
        trust: TrustBook,
        travelled: Mapping[str, float],
        tell: Callable[[str, str], None],
    ) -> None:
        self._description = description
        self._axes = description.axes
        self._counters = {
            name: axis for name, axis in axes.items() if isinstance(axis, StepCounter)
        }
        self._trust = trust
        self._travelled = travelled
        self._tell = tell
        self._keep: Keep = _nobody
        self._recalled: dict[str, float] = {}

    @property
    def names(self) -> tuple[str, ...]:
        """All of them."""
        return tuple(self._counters)

    @property
    def moved(self) -> tuple[str, ...]:
        """Those that have moved in this run."""
        return tuple(name for name in self._counters if self._travelled[name] > 0.0)

    @property
    def u(self) -> dict[str, float]:
        """Standard uncertainty of the position of each, m or rad."""
        return {name: axis.state.u(axis.steps) for name, axis in self._counters.items()}

    def state(self, name: str) -> StepState:
        """What is believed of one where it last came to rest."""
        return self._counters[name].state

    def steps(self, name: str) -> OpenLoopDescription:
        """What is known now of the steps of one."""
        return self._counters[name].steps

    def keep(self, keep: Keep) -> None:
        """Tell ``keep`` what is believed of each whenever it comes to rest, and now; of one whose
        position is lost nothing is believed."""
        self._keep = keep
        for name in self._counters:
            self.kept(name)

    def recall(self, known: Mapping[str, StepState]) -> None:
        """Go on from what an earlier run believed of them. One that counts from zero, and did not
        then, is lost: its controller was switched off, and need not know that."""
        for name, state in known.items():
            counter, play = self._counters[name], self._trust.tolerance(name)
            if abs(counter.state.count) > play or abs(state.count) <= play:
                counter.recall(state)
                self._recalled[name] = state.position
                self._believed_anew(name)
                continue
            why = (
                f"it counts from zero, and was left at {trade(self._axes[name], state.position)}; "
                "was its controller switched off?"
            )
            self._trust.lower(name, Trust.LOST, why)
            self._tell("trust", f"{name}: position lost, {why}")

    def left_at(self, name: str) -> float | None:
        """Where the run before believed an open-loop axis when it last came to rest or the light
        told where it is, m or rad; None of any other axis and where nothing is known. Its last
        move does not tell that."""
        return self._recalled.get(name)

    def rested(self, name: str) -> None:
        """An axis, of whatever kind, has come to rest where it was last read."""
        if name in self._counters:
            counter = self._counters[name]
            counter.rested()
            self.kept(name)
            self._trust.decayed(name, counter.state.u(counter.steps))

    def kept(self, name: str) -> None:
        """Have what is believed of an axis kept, where it is an open-loop one and not lost."""
        if name in self._counters and self._trust.trust(name) is not Trust.LOST:
            self._keep(name, self._counters[name].state)

    def may_miss(self, name: str, position: float) -> float:
        """By how much the steps of an axis may overshoot a position that it is sent to, m or rad;
        zero where something sees where it is.

        Raises LimitError when its controller cannot count so far.
        """
        if name not in self._counters:
            return 0.0
        counter, axis = self._counters[name], self._axes[name]
        if not counter.in_count_limits(position):
            raise LimitError(_beyond_count(counter, axis, position))
        return counter.state.may_miss(position, counter.steps)

    def check_return(self, targets: Mapping[str, float], homes: Mapping[str, float]) -> None:
        """Raises LimitError when an axis would be led so far from its home (m or rad) that its
        steps might overshoot a limit on the way back: then the guard would not let it return."""
        for name in targets.keys() & self._counters.keys():
            axis, steps, home = self._axes[name], self._counters[name].steps, homes[name]
            way = abs(home - targets[name])
            if way <= abs(home - self._trust.last_seen(name)) + axis.repeatability:
                continue
            furthest = way + 3.0 * axis.repeatability  # it may rest as far beside its target
            play = axis.repeatability + steps.gain_tolerance * furthest + steps.may_be_alive
            if not axis.low + play - ROUNDING <= home <= axis.high - play + ROUNDING:
                low, high = (trade(axis, end) for end in self._description.reach(name))
                raise LimitError(
                    f"{name}: it began at {trade(axis, home)}, and from "
                    f"{trade(axis, targets[name])} it could not be sent back to there, since its "
                    f"unequal steps may miss by {trade(axis, play)}; bring it to between {low} "
                    f"and {high} before the run, from where all of that can be left again"
                )

    def take_for(self, positions: Mapping[str, float], why: str) -> None:
        """Believe that some are at these positions, m or rad, because the light says so; written
        down. They are no surer for that: other places may have the same light."""
        for name, position in positions.items():
            axis, before = self._axes[name], self._trust.last_seen(name)
            self._counters[name].take_for(position)
            self._believed_anew(name)
            self._tell(
                "trust",
                f"{name}: taken to be at {trade(axis, position)} instead of "
                f"{trade(axis, before)}: {why}",
            )

    def take_as_read(self, name: str) -> None:
        """Believe without a doubt that one is where it reads, on somebody's word."""
        self._counters[name].take_as_read()

    def settle(self, name: str) -> None:
        """Let what is learned of the steps of one from now on leave its place as it is."""
        self._counters[name].settled()

    def relearn(self, name: str, backward: float, u: float) -> None:
        """Believe from now on, and of what it has gone since it was settled, that a step backward
        of one does ``backward`` of one forward, with this standard uncertainty; written down."""
        self._counters[name].relearn(backward, u)
        self._believed_anew(name)
        self._tell("steps", f"{name}: a step backward does {backward:.4f} ± {u:.4f} of one forward")

    def _believed_anew(self, name: str) -> None:
        counter = self._counters[name]
        self._trust.seen(name, counter.position(), moved=True)
        self._trust.decayed(name, counter.state.u(counter.steps))
        self.kept(name)


def _beyond_count(counter: StepCounter, axis: AxisDescription, position: float) -> str:
    """That a controller cannot count as far as a position takes."""
    count = counter.state.count
    wanted = counter.state.count_for(position, counter.steps)
    low, high = counter.travel or (count, count)
    return (
        f"{axis.name}: at {trade(axis, counter.state.position)} its controller counts "
        f"{trade(axis, count)}, so that at {trade(axis, position)} it would count "
        f"{trade(axis, wanted)}, and it allows {trade(axis, low)} to {trade(axis, high)}; bring "
        "the axis to the middle of its travel, set the counter to zero there, and say "
        "'autocell accept'"
    )


def _nobody(_name: str, _state: StepState) -> None:
    """Nobody keeps what is believed."""
