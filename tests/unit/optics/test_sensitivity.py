"""How exit, path and plateau answer to small errors: the exact trace against formulas."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from autocell.optics.plateau import plateau_edges
from autocell.optics.reentrance import exit_slide
from autocell.optics.sensitivity import (
    PARAMETERS,
    changed,
    jacobian,
    plateau_margins,
    reach_of_hole,
    spacing_margins,
)
from autocell.optics.trace import exit_power, trace

ROW = {name: row for row, name in enumerate(PARAMETERS)}
UNIT = np.eye(len(PARAMETERS))


@pytest.fixture
def rates(case_a):
    return jacobian(case_a.cell, case_a.beam, case_a.passes)


def test_the_exit_slides_along_the_circle_with_the_spacing(case_a, rates):
    """r N δd/√(d (2R − d)) (F10) [exact, paraxial]; 1.909 mm per mm in case A [exact]."""
    spot, _, _ = rates.of("spacing_m")
    slide = exit_slide(case_a.circle_m, 50, 1.0, case_a.orbit.spacing_m, case_a.radius_m)
    assert spot[1] == pytest.approx(float(slide), rel=2e-3)
    assert spot[1] == pytest.approx(1.909, abs=3e-3)
    assert abs(spot[0]) < 1e-3  # along y at (r, 0)


@pytest.mark.parametrize("axis", ["x", "y"])
def test_far_mirror_tilt_moves_neither_exit_spot_nor_exit_direction(rates, axis):
    """F11 [exact, paraxial]. Case A: 0.0355 mm of exit for 1 mrad, of third order, while a spot
    inside the cell moves by 0.672 mm [exact]."""
    row = ROW[f"far_tilt_{axis}_rad"]
    assert np.linalg.norm(rates.exit_spot[row]) < 36e-3  # mm per mrad is m per rad
    assert np.linalg.norm(rates.exit_slope[row]) < 0.1
    largest = np.linalg.norm(rates.spots[row], axis=-1).max()
    assert largest == pytest.approx(0.672, rel=0.01)


@pytest.mark.parametrize("axis", [0, 1])
def test_entrance_mirror_tilt_turns_the_exit_direction_by_twice_its_angle(rates, axis):
    """F11 [exact, paraxial]; the direction is kept as travelling back, so that its slope dx/dz
    is the mirror image: case A −2.04 mrad of direction for 1 mrad, exit spot ≤ 0.03 mm [exact]."""
    row = ROW[f"entrance_tilt_{'xy'[axis]}_rad"]
    assert rates.exit_slope[row, axis] == pytest.approx(2.0, abs=0.05)
    assert np.linalg.norm(rates.exit_spot[row]) < 0.03


def test_the_exit_moves_with_the_input_as_if_there_were_no_cell(rates):
    """At re-entrance the paraxial matrix of all passes is the unit matrix (θ N = 2πk) [exact]; what
    is left is of the order r²/R² and the passes."""
    np.testing.assert_allclose(rates.exit_spot[[ROW["x_m"], ROW["y_m"]]], np.eye(2), atol=0.12)
    slopes = rates.exit_slope[[ROW["slope_x"], ROW["slope_y"]]]
    # after an even number of passes it travels in −z: dx/dz has the other sign
    np.testing.assert_allclose(slopes, -np.eye(2), atol=0.12)
    assert np.abs(rates.exit_spot[[ROW["slope_x"], ROW["slope_y"]]]).max() < 0.03


def test_the_path_grows_by_the_passes_and_by_nothing_else(rates):
    """L = N d up to O(r⁴) (F8) [exact]."""
    assert rates.of("spacing_m")[2] == pytest.approx(50.0, abs=2e-3)
    others = np.delete(rates.path_length_m, ROW["spacing_m"])
    assert np.abs(others).max() < 6e-3


def test_derivatives_predict_what_the_trace_does(case_a, rates):
    change = np.array([2e-6, 1e-6, -3e-6, 2e-6, -1e-6, 1e-6, 2e-6, -2e-6, 1e-6, 3e-6, -2e-6])
    still = trace(case_a.cell, case_a.beam, 50)
    moved = trace(*changed(case_a.cell, case_a.beam, change), 50)
    np.testing.assert_allclose(
        (moved.position_m - still.position_m)[:, :2],
        np.einsum("p,pnk->nk", change, rates.spots),
        atol=3e-9,  # of moves up to 20 µm
    )
    length = moved.path_length_m[-1] - still.path_length_m[-1]
    assert length == pytest.approx(float(change @ rates.path_length_m), abs=1e-9)


def test_the_plateau_ends_where_the_exit_spot_reaches_the_edge_of_the_hole(case_a):
    """At half of the power the spot, small beside the hole, has its centre on the hole's edge:
    δd = a √(d (2R − d)) / (N r) from F10 [exact, paraxial]."""
    found = plateau_margins(case_a.cell, case_a.beam, 50, UNIT[:1])
    per_m = float(exit_slide(case_a.circle_m, 50, 1.0, case_a.orbit.spacing_m, case_a.radius_m))
    for end in (-found.low[0], found.high[0]):
        assert end == pytest.approx(1.5e-3 / per_m, rel=0.02)
    for end in (found.low[0], found.high[0]):
        path = trace(*changed(case_a.cell, case_a.beam, end * UNIT[0]), 50)
        off = np.hypot(path.position_m[50, 0] - case_a.circle_m, path.position_m[50, 1])
        radius = path.beam_radii_m[0][50]
        # a half-plane halves at the centre; the edge is curved, so a little inside of it
        assert 0.0 < 1.5e-3 - off < 0.1 * radius
    assert list(found.low_passes) == list(found.high_passes) == [50]


def test_either_end_has_half_of_the_power_or_as_much_of_another_pass_count(case_a):
    found = plateau_margins(case_a.cell, case_a.beam, 50)
    middle = exit_power(case_a.cell, case_a.beam, 90).passes_power
    ends = [
        (row, end, passes)
        for side in ((found.low, found.low_passes), (found.high, found.high_passes))
        for row, (end, passes) in enumerate(zip(*side, strict=True))
        if math.isfinite(end)
    ]
    assert len(ends) > len(PARAMETERS)
    for row, end, passes in ends:
        leaks = trace(*changed(case_a.cell, case_a.beam, end * UNIT[row]), 90).leaks[:, 0]
        limit = max(0.5 * middle, np.delete(leaks, 50).sum())
        assert leaks[50] == pytest.approx(limit, rel=0.02)
        assert passes == np.argmax(leaks)


def test_margins_agree_with_the_edges_of_a_scan_of_the_spacing(case_a):
    """The same edges by :func:`plateau_edges`, from an off-centre start; and who takes over."""
    spacing = case_a.orbit.spacing_m + np.linspace(-3e-3, 3e-3, 6001)
    seen = exit_power(case_a.cell.at_spacing(spacing), case_a.beam, 90)
    low, high = plateau_edges(
        spacing, seen.power, seen.passes, seen.passes_power, 50, case_a.orbit.spacing_m
    )
    start = case_a.orbit.spacing_m + 0.4e-3
    found = plateau_margins(case_a.cell.at_spacing(start), case_a.beam, 50, UNIT[:1])
    assert start + found.low[0] == pytest.approx(float(low), abs=1e-8)
    assert start + found.high[0] == pytest.approx(float(high), abs=1e-8)


def test_a_neighbour_that_takes_the_light_ends_the_plateau_and_is_named(case_a):
    """A hole wider than the distance to its neighbour: moving the beam in it lets out the spot
    that comes by first. Neighbours are 2 r sin(2π/N) apart (F5) [exact]."""
    hole = replace(case_a.cell.holes[0], radius_m=2.5e-3)
    cell = replace(case_a.cell, holes=(hole,))
    found = plateau_margins(cell, case_a.beam, 50, UNIT[[ROW["y_m"]]])
    still = trace(cell, case_a.beam, 50).position_m
    away = np.hypot(*(still - still[0])[2:50:2, :2].T)
    nearest = 2 + 2 * np.argsort(away)[:2]
    assert away.min() == pytest.approx(2.0 * case_a.circle_m * math.sin(math.pi / 25), rel=1e-3)
    assert {int(found.low_passes[0]), int(found.high_passes[0])} == set(nearest)
    for end, early in ((found.low, found.low_passes), (found.high, found.high_passes)):
        leaks = trace(*changed(cell, case_a.beam, end[0] * UNIT[ROW["y_m"]]), 50).leaks[:, 0]
        assert leaks[early[0]] == pytest.approx(leaks[50], rel=0.01)


def test_where_there_is_no_pattern_there_is_no_margin(case_a):
    found = plateau_margins(case_a.cell.at_spacing(0.34), case_a.beam, 50)
    np.testing.assert_array_equal(found.smaller, 0.0)


def test_spacing_margins_follow_the_spacing_and_forget_a_change_of_both_radii(case_a):
    found = spacing_margins(case_a.cell, case_a.beam, 50)
    plain = plateau_margins(case_a.cell, case_a.beam, 50, UNIT[:1])
    assert found.low_m == pytest.approx(-plain.low[0], abs=1e-9)
    assert found.high_m == pytest.approx(plain.high[0], abs=1e-9)
    assert found.low_per_unit[ROW["spacing_m"]] == pytest.approx(1.0, abs=1e-6)
    assert found.high_per_unit[ROW["spacing_m"]] == pytest.approx(-1.0, abs=1e-6)
    # θ depends on d/R only (F1): a change of both radii moves the plateau by d/R times as much
    both = found.high_per_unit[ROW["entrance_radius_m"]] + found.high_per_unit[ROW["far_radius_m"]]
    assert both == pytest.approx(case_a.orbit.spacing_m / case_a.radius_m, rel=0.01)


def test_spacing_margins_predict_the_margins_of_a_changed_cell(case_a):
    found = spacing_margins(case_a.cell, case_a.beam, 50)
    change = np.array([0.0, 2e-5, -2e-5, 5e-5, 5e-5, 3e-5, -3e-5, 5e-5, 5e-5, 2e-5, -4e-5])
    now = plateau_margins(*changed(case_a.cell, case_a.beam, change), 50, UNIT[:1])
    assert -now.low[0] == pytest.approx(found.low_m + float(change @ found.low_per_unit), abs=2e-7)
    assert now.high[0] == pytest.approx(
        found.high_m + float(change @ found.high_per_unit), abs=2e-7
    )


def test_a_row_of_cells_has_the_margins_that_each_has_alone(case_a):
    """Some of them do not show the pattern at all, or not at every start."""
    spacings_m = case_a.orbit.spacing_m + np.array([0.0, 3e-4, -4e-4, 5e-3])
    slopes = np.asarray(case_a.beam.slope_y) + np.array([0.0, 1e-4, -1e-4, 0.0])
    along = UNIT[[ROW["spacing_m"], ROW["y_m"], ROW["far_radius_m"]]]
    around = 1e-4 * along
    scale = reach_of_hole(case_a.cell, case_a.beam, 50, along)
    row = plateau_margins(
        case_a.cell.at_spacing(spacings_m), replace(case_a.beam, slope_y=slopes), 50,
        along, around, scale,
    )  # fmt: skip
    assert row.smaller.shape == (4, 3)
    assert (row.smaller[:3] > 0.0).all()
    assert (row.smaller[3] == 0.0).all()
    for k, (spacing_m, slope) in enumerate(zip(spacings_m, slopes, strict=True)):
        alone = plateau_margins(
            case_a.cell.at_spacing(spacing_m), replace(case_a.beam, slope_y=slope), 50,
            along, around, scale,
        )  # fmt: skip
        np.testing.assert_array_equal(row.low[k], alone.low)
        np.testing.assert_array_equal(row.high[k], alone.high)
        np.testing.assert_array_equal(row.low_passes[k], alone.low_passes)
        np.testing.assert_array_equal(row.high_passes[k], alone.high_passes)


def test_margins_of_a_row_of_cells_need_a_scale_and_one_dimension(case_a):
    table = case_a.cell.at_spacing(case_a.orbit.spacing_m + np.zeros((2, 2)))
    with pytest.raises(ValueError, match="row of cells"):
        plateau_margins(table, case_a.beam, 50, UNIT[:1], scale=np.ones(1))


def test_small_changes_are_asked_of_one_cell(case_a):
    # as many as the differences have steps: broadcast against each other they would give numbers
    batch = case_a.cell.at_spacing(case_a.orbit.spacing_m + 1e-4 * np.arange(4))
    for ask in (jacobian, plateau_margins, spacing_margins):
        with pytest.raises(ValueError, match="asked of one cell"):
            ask(batch, case_a.beam, 50)
    wide = replace(case_a.beam, waist_x_m=np.full(4, 2e-4))
    with pytest.raises(ValueError, match="asked of one cell"):
        jacobian(case_a.cell, wide, 50)
    with pytest.raises(ValueError, match="1 pass or more"):
        jacobian(case_a.cell, case_a.beam, 0)
