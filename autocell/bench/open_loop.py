"""The open-loop axes of a bench: where they are believed to be, how surely, and what says so."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from autocell.bench.plan import trade
from autocell.bench.protocols import Axis
from autocell.bench.step_counting import StepCounter, StepState
from autocell.bench.trust import Trust, TrustBook
from autocell.description import BenchDescription, OpenLoopDescription
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
        self._axes = description.axes
        self._counters = {
            name: axis for name, axis in axes.items() if isinstance(axis, StepCounter)
        }
        self._trust = trust
        self._travelled = travelled
        self._tell = tell
        self._keep: Keep = _nobody

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
                self._believed_anew(name)
                continue
            why = (
                f"it counts from zero, and was left at {trade(self._axes[name], state.position)}; "
                "was its controller switched off?"
            )
            self._trust.lower(name, Trust.LOST, why)
            self._tell("trust", f"{name}: position lost, {why}")

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
            raise LimitError(
                f"{name}: its controller has counted so many steps of unequal size that it cannot "
                f"count on to {trade(axis, position)}; bring the axis to the middle of its travel, "
                "set the counter to zero there, and say 'autocell accept'"
            )
        return counter.state.may_miss(position, counter.steps)

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


def _nobody(_name: str, _state: StepState) -> None:
    """Nobody keeps what is believed."""
