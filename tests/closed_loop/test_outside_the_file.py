"""Benches that are outside their bench file: held with a true word of why, or reached and true."""

from __future__ import annotations

import dataclasses
import math
import re
from typing import Any

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector
from autocell_simulators.truth import draw_truth

from autocell.bench.clock import VirtualClock
from autocell.bench.opening import open_bench
from autocell.description import BenchDescription
from autocell.outcome import Verdict
from autocell.procedures.change import change_passes

from .conftest import Change


def out_of_file(bench: BenchDescription, drawn: dict[str, Any]) -> dict[str, float]:
    """How many tolerances each unknown is out in truth, by the words that a message has for it."""
    beam, entrance, far = bench.input_beam, bench.entrance_mirror, bench.far_mirror
    reflectivity = math.sqrt(drawn["entrance_reflectivity"] * drawn["far_reflectivity"])
    out = {
        "the spacing": drawn["spacing_offset_m"] / bench.spacing_tolerance_m,
        "the input beam's x": drawn["beam_x_offset_m"] / beam.position_tolerance_m,
        "the input beam's y": drawn["beam_y_offset_m"] / beam.position_tolerance_m,
        "the input beam's slope in x": drawn["beam_slope_x_offset"] / beam.slope_tolerance,
        "the input beam's slope in y": drawn["beam_slope_y_offset"] / beam.slope_tolerance,
        "the reflectivity": (reflectivity - bench.mean_reflectivity)
        / entrance.reflectivity_tolerance,
        "the hole's diameter": (drawn["hole_radius_m"] - bench.entrance_hole.radius_m)
        / bench.entrance_hole.radius_tolerance_m,
        "the power": math.log(drawn["gain"]) / math.log1p(bench.laser.power_tolerance),
    }
    for side, mirror in (("entrance", entrance), ("far", far)):
        radius_m = 0.5 * (drawn[f"{side}_radius_x_m"] + drawn[f"{side}_radius_y_m"])
        off_m = radius_m - mirror.radius_m
        out[f"the radius of the {side} mirror"] = off_m / mirror.radius_tolerance_m
        for axis in "xy":
            tilt_rad = drawn[f"{side}_tilt_{axis}_rad"]
            out[f"the {side} mirror's tilt in {axis}"] = tilt_rad / mirror.tilt_tolerance_rad
    return {name: abs(tolerances) for name, tolerances in out.items()}


def named(reason: str) -> list[str]:
    """The unknowns that a reason pulls beyond their tolerance."""
    found = re.search(r"looks wrong: the readings pull (.*) beyond it", reason)
    assert found is not None, reason
    return [re.sub(r" \(.*", "", name) for name in found[1].split("), ")]


def test_a_bench_three_times_outside_is_true_or_held_and_most_of_what_is_said_of_it_is_true(
    change: Change, peat_bog: BenchDescription
) -> None:
    said = []
    for seed in (4, 6, 10, 15, 21):
        ended = change(62, seed, scale=3.0)
        if ended.outcome.verdict is Verdict.REACHED:
            assert ended.truth["passes"] == 62
            continue
        assert ended.outcome.verdict is Verdict.HELD
        assert ended.truth["passes"] == 6, "back at the start"
        out = out_of_file(peat_bog, ended.truth["drawn"])
        said += [out[name] for name in named(ended.outcome.reason) if name in out]
    assert len(said) >= 2
    assert sum(tolerances > 1.5 for tolerances in said) >= 2.0 / 3.0 * len(said), said


@pytest.mark.parametrize("tolerances", [2.0, -2.0])
def test_a_laser_twice_its_tolerance_out_is_named_or_does_no_harm(
    peat_bog: BenchDescription, tolerances: float
) -> None:
    gain = math.exp(tolerances * math.log1p(peat_bog.laser.power_tolerance))
    truth = dataclasses.replace(draw_truth(peat_bog, 1), gain=gain)
    clock = VirtualClock()
    simulated = SimulatedBench(peat_bog, truth, clock)
    with open_bench(peat_bog, clock=clock, connect=connector(simulated)) as opened:
        outcome = change_passes(opened, 62)
    passes = simulated.truth_report()["passes"]
    if outcome.verdict is Verdict.REACHED:
        assert passes == 62
    else:
        assert outcome.verdict is Verdict.HELD
        assert passes == 6
        assert "the power" in named(outcome.reason)
