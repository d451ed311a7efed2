"""Whole procedures on simulated benches: real drivers on in-process lines, a virtual clock."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector
from autocell_simulators.truth import draw_truth

from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.description import BenchDescription
from autocell.outcome import Outcome
from autocell.procedures.change import change_passes
from autocell.procedures.progress import Listener, nobody


@dataclass(frozen=True)
class Ended:
    """What the tool says of a change, and what the simulator knows."""

    outcome: Outcome
    truth: dict[str, Any]


Change = Callable[..., Ended]


@pytest.fixture(scope="session")
def peat_bog() -> BenchDescription:
    """The invented bench that is shipped."""
    return load(shipped("peat-bog.yaml"))


@pytest.fixture
def change(peat_bog: BenchDescription) -> Change:
    """Change the pass count of a bench drawn from a seed, tolerances times ``scale``."""

    def run(
        passes: int,
        seed: int,
        *,
        scale: float = 1.0,
        spoil: Callable[[SimulatedBench], None] = lambda bench: None,
        listener: Listener = nobody,
        bench: BenchDescription = peat_bog,
    ) -> Ended:
        clock = VirtualClock()
        simulated = SimulatedBench(bench, draw_truth(bench, seed, scale=scale), clock)
        spoil(simulated)
        with open_bench(bench, clock=clock, connect=connector(simulated)) as opened:
            outcome = change_passes(opened, passes, listener=listener)
        return Ended(outcome, simulated.truth_report())

    return run


@contextmanager
def a_bench(description: BenchDescription, seed: int) -> Iterator[tuple[Bench, SimulatedBench]]:
    """An opened bench on which things may happen, and what it is in truth."""
    clock = VirtualClock()
    simulated = SimulatedBench(description, seed, clock, scenario=Scenario())
    with open_bench(description, clock=clock, connect=connector(simulated)) as opened:
        yield opened, simulated
