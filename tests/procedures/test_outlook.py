"""The outlook before a change, against benches that are drawn elsewhere and know more effects."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from autocell_simulators.optics import TrueOptics
from autocell_simulators.truth import draw_truth

from autocell.bench.file import load, shipped
from autocell.description import BenchDescription
from autocell.patterns import choose_pattern
from autocell.procedures.outlook import look_ahead

PEAT_BOG = load(shipped("peat-bog"))
START = PEAT_BOG.zero.at_spacing(0.250)


def share_of_true_benches_that_land(passes: int, count: int) -> float:
    pattern = choose_pattern(PEAT_BOG, passes)
    positions = PEAT_BOG.positions(pattern.setting)
    landed = [
        int(TrueOptics(PEAT_BOG, draw_truth(PEAT_BOG, seed)).exit(positions).passes) == passes
        for seed in range(count)
    ]
    return sum(landed) / count


@pytest.mark.parametrize("passes", [38, 62, 80])
def test_the_probability_of_landing_is_the_frequency_on_simulated_benches(passes: int) -> None:
    count = 200
    frequency = share_of_true_benches_that_land(passes, count)
    claimed = look_ahead(PEAT_BOG, choose_pattern(PEAT_BOG, passes), START).lands_there
    # four standard deviations of both binomial counts, 600 draws on the other side
    spread = math.sqrt(claimed * (1.0 - claimed) * (1.0 / count + 1.0 / 600))
    assert claimed == pytest.approx(frequency, abs=4.0 * spread + 0.02)


def known_exactly(bench: BenchDescription) -> BenchDescription:
    """The same bench without tolerances."""

    def sharp(mirror: object) -> object:
        return replace(
            mirror,  # type: ignore[type-var]
            radius_tolerance_m=0.0,
            reflectivity_tolerance=0.0,
            tilt_tolerance_rad=0.0,
        )

    return replace(
        bench,
        spacing_tolerance_m=0.0,
        entrance_hole=replace(bench.entrance_hole, radius_tolerance_m=0.0),
        laser=replace(bench.laser, power_tolerance=0.0),
        entrance_mirror=sharp(bench.entrance_mirror),
        far_mirror=sharp(bench.far_mirror),
        input_beam=replace(
            bench.input_beam, position_tolerance_m=0.0, slope_tolerance=0.0, waist_tolerance=0.0
        ),
    )


def test_a_bench_that_is_known_exactly_needs_only_what_the_proof_needs() -> None:
    bench = known_exactly(PEAT_BOG)
    outlook = look_ahead(bench, choose_pattern(bench, 62), START)
    assert outlook.lands_there == 1.0
    # dark level, start, arrival, both edges, and the height of the plateau
    assert outlook.readings == (6.0, 6.0)


def test_more_passes_are_harder_to_hit_and_cost_more() -> None:
    easy, hard = (look_ahead(PEAT_BOG, choose_pattern(PEAT_BOG, n), START) for n in (26, 80))
    assert easy.lands_there > 0.9 > 0.5 > hard.lands_there
    assert easy.readings[1] <= hard.readings[1]


def test_readings_stay_within_the_reach_of_the_stage() -> None:
    low, high = look_ahead(PEAT_BOG, choose_pattern(PEAT_BOG, 66), START).spacing_range_m
    axis = PEAT_BOG.axes["spacing"]
    assert PEAT_BOG.spacing_at_zero_m + axis.low <= low < high
    assert high <= PEAT_BOG.spacing_at_zero_m + axis.high


def test_the_same_seed_gives_the_same_outlook() -> None:
    pattern = choose_pattern(PEAT_BOG, 50)
    assert look_ahead(PEAT_BOG, pattern, START, seed=3) == look_ahead(
        PEAT_BOG, pattern, START, seed=3
    )
