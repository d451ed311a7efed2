"""A hole that lets light through as if it were larger than its bench file says."""

from __future__ import annotations

import dataclasses

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector
from autocell_simulators.rehearsal.one import bench_seed
from autocell_simulators.truth import draw_truth

from autocell.bench.clock import VirtualClock
from autocell.bench.opening import open_bench
from autocell.description import BenchDescription
from autocell.outcome import Verdict
from autocell.procedures.change import change_passes


@pytest.mark.parametrize("factor", [1.08, 1.12])
def test_a_larger_hole_is_not_taken_for_a_wider_plateau_of_more_passes(
    peat_bog: BenchDescription, factor: float
) -> None:
    """The file allows 1.25 %. A larger hole makes plateaus wider: 56 passes behind a hole that is
    12 % larger were claimed as 62 while rivals had to keep to three tolerances of it."""
    hole = peat_bog.entrance_hole
    larger = dataclasses.replace(
        peat_bog, entrance_hole=dataclasses.replace(hole, radius_m=factor * hole.radius_m)
    )
    clock = VirtualClock()
    simulated = SimulatedBench(larger, draw_truth(larger, bench_seed(5100, 2)), clock)
    with open_bench(peat_bog, clock=clock, connect=connector(simulated)) as opened:
        outcome = change_passes(opened, 62)
    truth = simulated.truth_report()
    if outcome.verdict is Verdict.REACHED:
        assert truth["passes"] == 62
    else:
        assert outcome.verdict is Verdict.HELD
        assert truth["passes"] == 6
