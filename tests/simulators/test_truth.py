import dataclasses
import json

import numpy as np
import pytest
from autocell_simulators.truth import Effects, Truth, draw_truth, drawn

from autocell.description import BenchDescription

SEEDS = range(200)


@pytest.fixture(scope="module")
def many(description: BenchDescription) -> list[Truth]:
    return [draw_truth(description, seed) for seed in SEEDS]


def test_the_same_seed_draws_the_same_bench(description: BenchDescription) -> None:
    assert draw_truth(description, 5) == draw_truth(description, 5)
    assert draw_truth(description, 5) != draw_truth(description, 6)


@pytest.mark.parametrize(
    ("name", "half_width"),
    [
        ("spacing_offset_m", 1e-3),
        ("beam_x_offset_m", 0.15e-3),
        ("beam_slope_y_offset", 1e-3),
        ("entrance_tilt_x_rad", 0.3e-3),
        ("far_tilt_y_rad", 0.3e-3),
        ("far_decentre_x_m", 0.1e-3),
    ],
)
def test_offsets_fill_the_tolerance_of_the_bench_file_on_both_sides(
    many: list[Truth], name: str, half_width: float
) -> None:
    values = np.array([getattr(truth, name) for truth in many])
    assert np.all(np.abs(values) <= half_width)
    assert values.min() < -0.9 * half_width
    assert values.max() > 0.9 * half_width


def test_reflectivities_radii_gain_and_hole_stay_within_tolerance(
    many: list[Truth], description: BenchDescription
) -> None:
    for truth in many:
        assert abs(truth.entrance_reflectivity - 0.985) <= 0.003
        assert abs(truth.far_reflectivity - 0.985) <= 0.003
        assert abs(truth.gain - 1.0) <= 0.05
        assert abs(truth.hole_radius_m - 2e-3) <= 0.05e-3
        mean_radius_m = 0.5 * (truth.far_radius_x_m + truth.far_radius_y_m)
        assert abs(mean_radius_m - 0.5) <= 0.004 * 0.5
        assert all(
            0.3 * axis.backlash <= truth.backlash[name] <= axis.backlash
            for name, axis in description.axes.items()
        )


def test_effects_that_no_tuning_program_models_are_present_in_every_bench(
    many: list[Truth],
) -> None:
    for truth in many:
        astigmatism = abs(truth.entrance_radius_y_m / truth.entrance_radius_x_m - 1.0)
        assert 0.000499 < astigmatism < 0.001503
        assert 0.001 <= truth.fringe <= 0.004
        assert 1.0 <= truth.beam_quality <= 1.1
        assert 0.01 <= abs(truth.axis_coupling["pitch"]["yaw"]) <= 0.03
        assert truth.waist_x_m != truth.waist_y_m
        assert truth.dark_offset_w >= 1e-11


def test_spacing_does_not_couple_into_the_input_beam(many: list[Truth]) -> None:
    assert all("spacing" not in truth.axis_coupling for truth in many)
    assert all("spacing" not in coupled for coupled in many[0].axis_coupling.values())


def test_scale_zero_is_the_bench_as_described(description: BenchDescription) -> None:
    truth = draw_truth(description, 3, scale=0.0)
    assert truth.spacing_offset_m == 0.0
    assert truth.entrance_radius_x_m == truth.far_radius_y_m == 0.5
    assert truth.gain == 1.0
    assert set(truth.axis_gain.values()) == {1.0}
    assert set(truth.backlash.values()) == {0.0}


def test_half_the_scale_halves_the_offsets(description: BenchDescription) -> None:
    whole, half = (draw_truth(description, 3, scale=scale) for scale in (1.0, 0.5))
    assert half.spacing_offset_m == pytest.approx(0.5 * whole.spacing_offset_m)
    assert half.stage_yaw_line_rad == pytest.approx(0.5 * whole.stage_yaw_line_rad)


def test_one_effect_changed_leaves_every_other_draw_alone(description: BenchDescription) -> None:
    usual = draw_truth(description, 3)
    stronger = draw_truth(description, 3, effects=Effects(fringe=(0.01, 0.02)))
    changed = {
        field.name
        for field in dataclasses.fields(Truth)
        if getattr(usual, field.name) != getattr(stronger, field.name)
    }
    assert changed == {"fringe"}


def test_an_axis_fewer_leaves_the_draws_of_the_others_alone(description: BenchDescription) -> None:
    fewer = dataclasses.replace(
        description,
        axes={name: axis for name, axis in description.axes.items() if name != "vertical"},
    )
    assert draw_truth(fewer, 3).axis_gain["yaw"] == draw_truth(description, 3).axis_gain["yaw"]


def test_what_was_drawn_can_be_written_as_json(description: BenchDescription) -> None:
    truth = draw_truth(description, 3)
    written = json.loads(json.dumps(drawn(truth)))
    assert written == dataclasses.asdict(truth) | {"dust": []}
