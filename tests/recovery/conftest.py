"""Nights on simulated benches: an evening whose pattern is proved, then what happens, then morning.

One evening serves all tests: the benches are drawn from the same seed, and one is brought to where
the evening's run ended before anything happens to it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.description import BenchDescription
from autocell.outcome import Outcome, Verdict
from autocell.procedures.change import change_passes
from autocell.procedures.progress import Listener, nobody
from autocell.procedures.recovery.recover import recover
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.recovery.under_way import RecoveryUnderWay
from autocell.recovery import Cause, Recovery

PASSES, SEED = 62, 1


@dataclass(frozen=True)
class Morning:
    """What the tool says of a night, and what the simulator knows."""

    outcome: Outcome
    truth: dict[str, Any]

    @property
    def recovery(self) -> Recovery:
        assert self.outcome.recovery is not None
        return self.outcome.recovery

    @property
    def cause(self) -> Cause:
        assert self.recovery.cause is not None
        return self.recovery.cause


class Simulated:
    """A bench that stands where the evening left it, or at six passes."""

    def __init__(self, description: BenchDescription, evening: Outcome, *, away: bool) -> None:
        self.description = description
        self.clock = VirtualClock()
        self.bench = SimulatedBench(description, SEED, self.clock, scenario=Scenario())
        assert evening.setting is not None
        if away:
            return
        with open_bench(description, clock=self.clock, connect=connector(self.bench)) as opened:
            opened.vouch_for(description.axes)
            opened.move_to(evening.setting, "where the evening ended")

    def recover(self, reference: ReferenceSetting, listener: Listener = nobody) -> Morning:
        connect = connector(self.bench)
        with open_bench(self.description, clock=self.clock, connect=connect) as opened:
            opened.vouch_for(self.description.axes)
            outcome = recover(opened, reference, listener=listener)
        return Morning(outcome, self.bench.truth_report())


@pytest.fixture(scope="session")
def watched() -> BenchDescription:
    """The invented bench with a reference meter and a thermometer."""
    return load(shipped("peat-bog-reference"))


@pytest.fixture(scope="session")
def unwatched(watched: BenchDescription) -> BenchDescription:
    """The same bench without them."""
    return dataclasses.replace(
        watched,
        reference_meter=None,
        thermometer=None,
        devices={n: d for n, d in watched.devices.items() if n in ("motion", "meter")},
    )


@pytest.fixture(scope="session")
def evening(watched: BenchDescription) -> Outcome:
    """The pattern, proved."""
    clock = VirtualClock()
    bench = SimulatedBench(watched, SEED, clock)
    with open_bench(watched, clock=clock, connect=connector(bench)) as opened:
        opened.vouch_for(watched.axes)
        outcome = change_passes(opened, PASSES)
    assert outcome.verdict is Verdict.REACHED, outcome.reason
    return outcome.with_run("evening")


@pytest.fixture(scope="session")
def reference(evening: Outcome) -> ReferenceSetting:
    """The evening, a third of a day ago."""
    return ReferenceSetting.of(evening, evening, 0.33)


@contextmanager
def begun(
    watched: BenchDescription, reference: ReferenceSetting, least: float
) -> Iterator[RecoveryUnderWay]:
    """A recovery that has tried nothing yet, on a bench file that wants so much of a step."""
    limits = dataclasses.replace(watched.recovery, least_gain=least, power_within=0.03)
    description = dataclasses.replace(watched, recovery=limits)
    clock = VirtualClock()
    connect = connector(SimulatedBench(description, 1, clock))
    with open_bench(description, clock=clock, connect=connect) as bench:
        yield RecoveryUnderWay(bench, reference, nobody, np.random.default_rng(0))


Night = Callable[..., Morning]


@pytest.fixture
def night(watched: BenchDescription, evening: Outcome, reference: ReferenceSetting) -> Night:
    """What is left of the pattern after ``faults`` and so many hours, recovered."""

    def run(
        *faults: dict[str, Any],
        hours: float = 8.0,
        away: bool = False,
        bench: BenchDescription = watched,
        reference: ReferenceSetting = reference,
        spoil: Callable[[SimulatedBench], None] = lambda bench: None,
    ) -> Morning:
        simulated = Simulated(bench, evening, away=away)
        simulated.bench.begin(*faults)
        simulated.clock.sleep(hours * 3600.0)
        spoil(simulated.bench)
        return simulated.recover(reference)

    return run
