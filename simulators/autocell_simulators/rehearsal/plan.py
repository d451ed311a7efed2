"""What every bench of a campaign has in common."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass
from pathlib import Path

from autocell.bench.clock import VirtualClock
from autocell.description import BenchDescription
from autocell.outcome import Learned
from autocell.patterns import choose_pattern
from autocell.procedures.progress import Listener, nobody
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.rehearsal.one import Rehearsal, failed, rehearse_change


@dataclass(frozen=True)
class Plan:
    """Change to ``passes`` on benches drawn from ``seed``, with tolerances times ``scale``.

    With ``learned`` they are drawn from what the run ``learned_by`` learned, and the procedure
    starts from it, as it would the night after. What goes wrong on each is in ``scenario``, and
    how it is found in ``start``. Runs are written down in a store at ``store``, or nowhere.
    """

    description: BenchDescription
    passes: int
    seed: int = 0
    scale: float = 1.0
    learned: Learned | None = None
    learned_by: str | None = None
    scenario: Scenario | None = None
    start: str | None = None
    store: Path | None = None

    def rehearse(self, index: int, listener: Listener = nobody) -> Rehearsal:
        """Bench number ``index``."""
        return rehearse_change(
            self.description,
            self.passes,
            campaign_seed=self.seed,
            index=index,
            scale=self.scale,
            learned=self.learned,
            scenario=self.scenario,
            start=self.start,
            store=self.store,
            listener=listener,
        )

    def check(self) -> None:
        """Raises UsageError for what would end every rehearsal alike: passes that cannot be set, a
        start state that there is not, a scenario that does not suit the bench."""
        choose_pattern(self.description, self.passes)
        SimulatedBench(
            self.description, self.seed, VirtualClock(), start=self.start, scenario=self.scenario
        )

    def failed(self, index: int, reason: str) -> Rehearsal:
        """A rehearsal of which nothing is known but why it failed."""
        return failed(self.seed, index, reason)

    def warm_up(self) -> None:
        """Load the compiled optics, so that no rehearsal has to.

        It keeps quiet about errors: they end the first rehearsal too, which has a place for them.
        """
        with contextlib.suppress(Exception):
            choose_pattern(self.description, self.passes)
            SimulatedBench(self.description, 0, VirtualClock()).truth_report()


@dataclass(frozen=True)
class Lost:
    """Bench number ``index`` never came back from whoever rehearsed it, and why.

    That is no result: a machine that is short of memory would look like a bench that fails.
    """

    index: int
    reason: str


CarryOut = Callable[[Plan, Iterable[int]], Generator[Rehearsal | Lost, None, None]]
"""Rehearses the benches with these indices and yields each as it is done, in any order."""
