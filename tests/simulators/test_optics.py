"""The light of the simulated bench, held against the cell's textbook behaviour."""

import dataclasses

import numpy as np
import pytest
from autocell_simulators.optics import TrueOptics, margins, truth_report
from autocell_simulators.truth import draw_truth

from autocell.description import BenchDescription
from autocell.optics.trace import exit_power

SIX_PASS = 0.25
"""One focal length of the mirrors of 500 mm radius."""


def stage_at(description: BenchDescription, spacing_m: float) -> dict[str, float]:
    return {"spacing": spacing_m - description.spacing_at_zero_m}


@pytest.fixture(scope="module")
def ideal(description: BenchDescription) -> TrueOptics:
    return TrueOptics(description, draw_truth(description, 0, scale=0.0))


def test_one_focal_length_apart_every_bench_shows_six_passes(
    description: BenchDescription,
) -> None:
    # [trade] d = f gives six passes whatever the input angle, while nothing clips
    for seed in range(60):
        exits = TrueOptics(description, draw_truth(description, seed)).exit(
            stage_at(description, SIX_PASS)
        )
        assert int(exits.passes) == 6
        assert float(exits.power) > 0.85


def test_an_undisturbed_bench_is_the_bench_of_its_file(
    ideal: TrueOptics, description: BenchDescription
) -> None:
    for spacing_m in (0.2135, 0.222, 0.2361, 0.243):
        setting = description.zero.at_spacing(spacing_m)
        expected = exit_power(description.cell(spacing_m), description.beam(setting), 400)
        exits = ideal.exit(stage_at(description, spacing_m))
        assert float(exits.power) == pytest.approx(float(expected.power), rel=1e-9)
        assert int(exits.passes) == int(expected.passes)


def test_a_clean_pattern_loses_one_reflectivity_per_reflection(
    description: BenchDescription,
) -> None:
    # F16: throughput R^(N-1) [exact], with both mirrors' reflectivities as drawn
    truth = dataclasses.replace(
        draw_truth(description, 0, scale=0.0),
        entrance_reflectivity=0.98,
        far_reflectivity=0.99,
        hole_radius_m=2.2e-3,
    )
    exits = TrueOptics(description, truth).exit(stage_at(description, SIX_PASS))
    assert float(exits.power) == pytest.approx(0.98**2 * 0.99**3, rel=1e-4)


def test_fringes_repeat_every_half_wavelength_of_spacing(description: BenchDescription) -> None:
    # two-beam interference: one order per λ/2 of mirror travel (Born & Wolf, ch. 7 [mem])
    truth = dataclasses.replace(
        draw_truth(description, 0, scale=0.0), fringe=0.004, fringe_phase_rad=0.3
    )
    optics = TrueOptics(description, truth)
    steps_m = np.linspace(0.0, description.laser.wavelength_m / 2.0, 41)
    seen = np.array([optics.fraction(stage_at(description, SIX_PASS + step)) for step in steps_m])
    assert seen[0] == pytest.approx(seen[-1], rel=1e-6)
    assert np.ptp(seen) / seen.mean() == pytest.approx(0.004, rel=0.01)


def test_laser_drift_is_never_steeper_than_its_setting(description: BenchDescription) -> None:
    for seed in range(20):
        optics = TrueOptics(description, draw_truth(description, seed))
        times_s = np.arange(0.0, 12 * 3600.0, 60.0)
        power_w = np.array([optics.arriving_w(time_s) for time_s in times_s])
        steepest_per_h = np.max(np.abs(np.diff(power_w))) * 60.0 / power_w.mean()
        assert 0.0 < steepest_per_h < 0.00201
        assert power_w[0] == pytest.approx(description.laser.power_w * optics.truth.gain)


def test_the_stage_turns_and_shifts_the_far_mirror_along_its_travel(
    description: BenchDescription,
) -> None:
    truth = dataclasses.replace(
        draw_truth(description, 0, scale=0.0),
        stage_yaw_line_rad=80e-6,
        straightness_x_m=4e-6,
    )
    optics = TrueOptics(description, truth)
    far = optics.cell({"spacing": np.linspace(0.0, 0.05, 201)}).far_mirror
    assert np.ptp(far.tilt_x_rad) == pytest.approx(80e-6)
    assert np.mean(far.tilt_x_rad) == pytest.approx(0.0, abs=1e-12)
    assert np.ptp(far.decentre_x_m) == pytest.approx(4e-6, rel=1e-3)


def test_coupling_shows_across_the_axis_that_moved(description: BenchDescription) -> None:
    truth = dataclasses.replace(
        draw_truth(description, 0, scale=0.0), axis_coupling={"pitch": {"yaw": 0.02}}
    )
    optics = TrueOptics(description, truth)
    at_rest = optics.setting({})
    moved = optics.setting({"pitch": 1e-3})
    assert float(moved[4] - at_rest[4]) == pytest.approx(1e-3)
    assert float(moved[3] - at_rest[3]) == pytest.approx(0.02e-3)


@pytest.mark.parametrize("seed", range(6))
def test_margins_end_where_the_pattern_does(description: BenchDescription, seed: int) -> None:
    optics = TrueOptics(description, draw_truth(description, seed))
    here = stage_at(description, 0.2265)
    edges = margins(optics, here)
    exits = optics.exit(here)
    assert edges.low_m is not None
    assert edges.high_m is not None
    per_travel = optics.truth.axis_gain["spacing"]
    at_least = 0.5 * 0.99 * float(exits.passes_power)

    def lost(shift_m: float) -> bool:
        moved = optics.exit({"spacing": here["spacing"] + shift_m / per_travel})
        return int(moved.passes) != int(exits.passes) or float(moved.passes_power) < at_least

    for shift_m in np.linspace(-edges.low_m, edges.high_m, 201)[1:-1]:
        assert not lost(float(shift_m))
    plateau = [float(optics.exit({"spacing": here["spacing"] + s / per_travel}).passes_power)
               for s in np.linspace(-edges.low_m, edges.high_m, 2001)]  # fmt: skip
    for side, edge_m in ((-1.0, edges.low_m), (1.0, edges.high_m)):
        beyond = optics.exit({"spacing": here["spacing"] + side * (edge_m + 2e-8) / per_travel})
        assert int(beyond.passes) != int(exits.passes) or float(beyond.passes_power) < 0.5 * max(
            plateau
        ) * (1 + 1e-4)


def test_plateau_edges_agree_with_the_worked_staircase(description: BenchDescription) -> None:
    # the staircase of docs/optics [exact]: R = 400 mm, hole 3 mm at 9 mm, R_m = 0.985,
    # circular launch for d = 186 mm: 50 passes from 185.2 to 187.0 mm at 0.477
    slope = 9e-3 / 0.4
    smaller = dataclasses.replace(
        description,
        entrance_hole=dataclasses.replace(description.entrance_hole, x_m=9e-3, radius_m=1.5e-3),
        spacing_at_zero_m=0.16,
        entrance_mirror=dataclasses.replace(description.entrance_mirror, radius_m=0.4),
        far_mirror=dataclasses.replace(description.far_mirror, radius_m=0.4),
        laser=dataclasses.replace(description.laser, wavelength_m=633e-9),
        input_beam=dataclasses.replace(
            description.input_beam,
            x_m=9e-3,
            y_m=0.0,
            slope_x=-slope,
            slope_y=slope * np.sqrt((0.8 - 0.186) / 0.186),
            waist_m=0.186e-3,
            waist_distance_m=0.093,
        ),
    )
    optics = TrueOptics(smaller, draw_truth(smaller, 0, scale=0.0))
    report = truth_report(optics, {"spacing": 0.026})
    assert report["passes"] == 50
    assert report["power_fraction"] == pytest.approx(0.477, abs=0.001)
    assert report["spacing_m"] - report["margin_low_m"] == pytest.approx(0.1852, abs=1.5e-4)
    assert report["spacing_m"] + report["margin_high_m"] == pytest.approx(0.1870, abs=1.5e-4)


def test_where_no_light_leaves_there_is_no_margin(description: BenchDescription) -> None:
    truth = dataclasses.replace(draw_truth(description, 0, scale=0.0), beam_slope_x_offset=0.5)
    report = truth_report(TrueOptics(description, truth), stage_at(description, SIX_PASS))
    assert report["passes"] == 0
    assert report["margin_low_m"] == report["margin_high_m"] == 0.0
