"""One simulated bench on its way to 26 passes, and benches known but for a little."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector

from autocell.belief.alternatives import Weighing
from autocell.belief.model import BenchModel
from autocell.belief.population import Belief
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.description import BenchDescription
from autocell.patterns import choose_pattern
from autocell.procedures.approach import approach
from autocell.procedures.change import how_far_off
from autocell.procedures.edges import SIDES, Edge, locate_edge
from autocell.procedures.progress import Listener, nobody
from autocell.procedures.proving import Height, read_height, weigh_rivals
from autocell.procedures.tuning import Tuning
from autocell.setting import Setting

PEAT_BOG = load(shipped("peat-bog"))
PASSES = 26
PATTERN = choose_pattern(PEAT_BOG, PASSES)
TARGET = PATTERN.setting

T = TypeVar("T")
Start = Callable[..., tuple[Tuning, SimulatedBench]]


CLEAR = 12.0
"""Log odds of a pass count that no rival comes close to."""


@dataclass(frozen=True)
class Arrived:
    """A bench on its plateau with everything that a proof is compiled from."""

    tuning: Tuning
    simulated: SimulatedBench
    at: Setting
    edges: tuple[Edge, Edge]
    height: Height
    weighing: Weighing


def start_tuning(
    stack: ExitStack,
    seed: int = 105,
    unknown: tuple[str, ...] = (),
    bench_file: BenchDescription = PEAT_BOG,
    listener: Listener = nobody,
) -> tuple[Tuning, SimulatedBench]:
    """A small belief about a freshly opened bench; with names, all else is known exactly."""
    clock = VirtualClock()
    simulated = SimulatedBench(bench_file, seed, clock)
    bench = stack.enter_context(open_bench(bench_file, clock=clock, connect=connector(simulated)))
    rng = np.random.default_rng(0)
    tuning = Tuning(bench, TARGET, PASSES, listener, rng)
    model = BenchModel(bench_file, max_passes=112)
    if unknown:
        known = [
            replace(u, tolerance=u.tolerance * (u.name in unknown)) for u in model.prior.unknowns
        ]
        model.prior = replace(model.prior, unknowns=tuple(known))
    tuning.belief = Belief(model, rng, members=800, pioneers=3000)
    return tuning, simulated


@pytest.fixture
def start() -> Iterator[Start]:
    """Open benches for one test."""
    with ExitStack() as stack:
        yield lambda seed=105, unknown=(): start_tuning(stack, seed, unknown)


@pytest.fixture(scope="package")
def arrived() -> Iterator[Arrived]:
    """A bench whose proof lacks nothing without another question. Tests share it and only look."""
    with a_clear_bench() as (there, _):
        yield there


@contextmanager
def a_clear_bench(
    bench_file: BenchDescription = PEAT_BOG, at_start: Callable[[Tuning], T] = lambda _: None
) -> Iterator[tuple[Arrived, T]]:
    """The first of some benches whose power alone proves it, and what was to be noted ``at_start``,
    before it moved."""
    for seed in range(100, 110):
        with ExitStack() as stack:
            tuning, simulated = start_tuning(stack, seed, bench_file=bench_file)
            noted = at_start(tuning)
            there = arrive(tuning, simulated)
            if lacks_nothing(there):
                yield there, noted
                return
    pytest.fail("none of ten benches has a proof that lacks nothing")


def lacks_nothing(there: Arrived) -> bool:
    """Whether a proof from there needs no other question."""
    clear = there.weighing.closest > CLEAR and there.height.steady and there.height.agrees
    return clear and all(edge.as_expected for edge in there.edges)


def arrive(tuning: Tuning, simulated: SimulatedBench) -> Arrived:
    """Bring a bench onto its plateau and gather all that a proof takes."""
    tuning.read_at(tuning.bench.setting, "survey", "reading where the bench stands")
    inside = approach(tuning, TARGET, how_far_off(PEAT_BOG, PATTERN))
    scan = tuning.scan("spacing", inside)
    low, high = (locate_edge(tuning, scan, side) for side in SIDES)
    centre = tuning.at(tuning.plateau_around(inside).centre.value)
    height = read_height(tuning, centre)
    at = tuning.bench.setting
    return Arrived(tuning, simulated, at, (low, high), height, weigh_rivals(tuning, at))
