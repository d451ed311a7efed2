"""The table of spots and leaks of one cell."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from autocell.optics.absorption import fringe_period_hz
from autocell.optics.cell import Hole
from autocell.optics.spots import beam_radius_towards, leak_table, spot_table
from autocell.optics.trace import trace


def test_a_circle_has_all_its_spots_alike(case_a):
    """Case A [exact]: spots 0.258 mm on a circle of 15 mm, neighbours 3.7600 mm apart, incidence
    45.2987 mrad."""
    rows = spot_table(case_a.cell, trace(case_a.cell, case_a.beam, 50))
    assert [row.pass_number for row in rows] == list(range(51))
    assert {row.mirror for row in rows[::2]} == {"entrance"}
    assert {row.mirror for row in rows[1::2]} == {"far"}
    radius = float(case_a.mode.entrance_radius_m)
    for row in rows[1:]:
        assert math.hypot(row.x_m, row.y_m) == pytest.approx(15e-3, abs=1e-12)
        assert 1e3 * row.incidence_rad == pytest.approx(45.2987, abs=5.1e-5)
        # the plane of incidence turns from spot to spot, so the matched beam stays nearly round
        assert row.radius_small_m == pytest.approx(radius, rel=0.04)
        assert row.radius_large_m == pytest.approx(radius, rel=0.04)
        assert row.aperture_clearance == pytest.approx(10e-3 / radius, rel=0.04)
    for row in rows[1:49]:
        # the table ends with the exit spot, which lies on the entrance spot
        assert row.neighbour_clearance == pytest.approx(3.76e-3 / radius, rel=0.04)
    assert rows[50].neighbour_clearance == pytest.approx(0.0, abs=1e-9)


def test_clearance_to_the_hole_counts_from_its_edge_and_only_on_its_mirror(case_a):
    rows = spot_table(case_a.cell, trace(case_a.cell, case_a.beam, 50))
    radius = float(case_a.mode.entrance_radius_m)
    assert rows[0].hole_clearance == pytest.approx(-1.5e-3 / radius, rel=0.01)
    nearest = min(row.hole_clearance for row in rows[2:50:2])
    assert nearest == pytest.approx((3.76e-3 - 1.5e-3) / radius, rel=0.01)
    assert all(row.hole_clearance == math.inf for row in rows[1::2])


def test_holes_and_apertures_move_with_their_mirror(case_a):
    entrance = replace(case_a.cell.entrance_mirror, decentre_x_m=1e-3, decentre_y_m=-0.5e-3)
    moved = replace(case_a.cell, entrance_mirror=entrance)
    path = trace(moved, case_a.beam, 4)
    row = spot_table(moved, path)[0]
    x, y = 15e-3 + 1e-3 - row.x_m, -0.5e-3 - row.y_m
    toward = beam_radius_towards(path.footprint_per_m2[0], np.array(x), np.array(y))
    assert row.hole_clearance == pytest.approx((math.hypot(x, y) - 1.5e-3) / float(toward))
    room = 25e-3 - math.hypot(row.x_m - 1e-3, row.y_m + 0.5e-3)
    assert row.aperture_clearance == pytest.approx(room / row.radius_large_m, rel=0.01)


def test_the_radius_of_an_ellipse_runs_between_its_axes():
    """√(n̂ᵀ S⁻¹ n̂) is √(a² cos² + b² sin²) of the angle from the large axis [exact]: a projection,
    not the radius of the ellipse itself, which is smaller in between."""
    a, b, turn = 3e-4, 1e-4, 0.7
    c, s = math.cos(turn), math.sin(turn)
    footprint = np.array(
        [(c / a) ** 2 + (s / b) ** 2, c * s * (a**-2 - b**-2), (s / a) ** 2 + (c / b) ** 2]
    )
    for angle in np.linspace(0.0, math.pi, 13):
        towards = beam_radius_towards(footprint, np.cos(turn + angle), np.sin(turn + angle))
        expected = math.hypot(a * math.cos(angle), b * math.sin(angle))
        assert float(towards) == pytest.approx(expected, rel=1e-12)


def test_a_knife_edge_at_one_such_radius_takes_what_it_takes_of_a_round_beam():
    """Beyond a straight edge w away lies ½ erfc(√2) = 2.275 % of a Gaussian beam (a table of the
    normal distribution at two standard deviations), here summed over a tilted ellipse."""
    a, b, turn, angle = 3.0, 1.2, 0.4, 1.1
    c, s = math.cos(turn), math.sin(turn)
    sxx, syy = (c / a) ** 2 + (s / b) ** 2, (s / a) ** 2 + (c / b) ** 2
    sxy = c * s * (a**-2 - b**-2)
    line = np.linspace(-12.0, 12.0, 2401)
    x, y = np.meshgrid(line, line)
    light = np.exp(-2.0 * (sxx * x * x + 2.0 * sxy * x * y + syy * y * y))
    direction = np.array(math.cos(angle)), np.array(math.sin(angle))
    w = float(beam_radius_towards(np.array([sxx, sxy, syy]), *direction))
    beyond = light[x * direction[0] + y * direction[1] > w].sum() / light.sum()
    assert beyond == pytest.approx(0.02275, abs=2e-4)


def test_leaks_tell_place_direction_size_and_fringe(case_a):
    hole = replace(case_a.cell.holes[0], radius_m=3.5e-3)
    cell = replace(case_a.cell, holes=(hole, Hole("far", 15e-3, 0.0, 1e-3)))
    path = trace(cell, case_a.beam, 50)
    leaks = leak_table(path)
    assert [(leak.pass_number, leak.hole) for leak in leaks] == sorted(
        (leak.pass_number, leak.hole) for leak in leaks
    )
    assert sum(leak.power for leak in leaks) == pytest.approx(path.leaks.sum(), abs=1e-7)
    last = leaks[-1]
    assert (last.pass_number, last.hole, last.fringe_period_hz) == (50, 0, math.inf)
    for leak in leaks[:-1]:
        early = 50 - leak.pass_number
        # c/ΔL with ΔL = p d (F18) [exact but for slant and sag, which are the same every pass]
        expected = float(fringe_period_hz(early, case_a.orbit.spacing_m))
        assert leak.fringe_period_hz == pytest.approx(expected, rel=1e-4)
        # it leaves as it came: straight on from the spot before
        before, here = path.position_m[[leak.pass_number - 1, leak.pass_number]]
        along = (here - before) / (here - before)[2]
        assert (leak.slope_x, leak.slope_y) == pytest.approx(tuple(along[:2]), abs=1e-12)
        assert (leak.x_m, leak.y_m) == pytest.approx(tuple(here[:2]))
        assert leak.radius_large_m >= leak.radius_small_m > 0.0
    assert {leak.hole for leak in leaks} == {0}  # no spot of this circle comes near the far hole


def test_tables_are_of_one_cell(case_a):
    batch = trace(case_a.cell.at_spacing(np.array([0.32, 0.33])), case_a.beam, 4)
    with pytest.raises(ValueError, match="of one cell"):
        spot_table(case_a.cell, batch)
    with pytest.raises(ValueError, match="of one cell"):
        leak_table(batch)


def test_a_fringe_is_with_a_pass_that_was_traced(case_a):
    path = trace(case_a.cell, case_a.beam, 50)
    for passes in (51, -1):
        with pytest.raises(ValueError, match="50 passes were traced"):
            leak_table(path, reference_pass=passes)


def test_the_table_ends_where_the_beam_misses_a_mirror(case_a):
    lost = replace(case_a.beam, slope_x=1.5)
    rows = spot_table(case_a.cell, trace(case_a.cell, lost, 20))
    assert 1 <= len(rows) < 21
    assert all(math.isfinite(row.x_m) for row in rows)
