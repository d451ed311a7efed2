"""An axis that moves the light the other way than the bench file has it is named."""

from __future__ import annotations

from dataclasses import replace

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector
from autocell_simulators.truth import Truth, draw_truth

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.outcome import Verdict
from autocell.procedures.change import change_passes

BENCH = load(shipped("peat-bog"))


def turned_round(truth: Truth, axis: str) -> Truth:
    """The same bench where it stands, with one axis that goes the other way from there."""
    gain = truth.axis_gain[axis]
    turned = replace(truth, axis_gain={**truth.axis_gain, axis: -gain})
    if axis == "spacing":
        there = SimulatedBench(BENCH, truth, VirtualClock()).true_positions()[axis]
        turned = replace(turned, spacing_offset_m=truth.spacing_offset_m + 2.0 * gain * there)
    return turned


@pytest.mark.thorough
@pytest.mark.parametrize(("axis", "seed"), [("spacing", 1), ("pitch", 4)])
def test_an_axis_that_goes_the_other_way_is_held_and_named(axis: str, seed: int) -> None:
    """The spacing is named on every bench that was tried; pitch on three of thirteen, since a
    larger hole, or a bench that changed under the readings, explains the others as well. All are
    held."""
    truth = turned_round(draw_truth(BENCH, seed), axis)
    simulated = SimulatedBench(BENCH, truth, VirtualClock())
    with open_bench(BENCH, clock=simulated.clock, connect=connector(simulated)) as bench:
        bench.vouch_for(BENCH.axes)
        outcome = change_passes(bench, 26)
    assert outcome.verdict is Verdict.HELD
    assert f"write 'direction: -1' in axes.{axis}" in outcome.reason
    assert "log units" in outcome.reason
