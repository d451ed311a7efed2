"""Slopes that lead from one place to another, by the formula and by the exact trace."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autocell.optics.aiming import exact_slopes, in_line, paraxial_aim
from autocell.optics.cell import Cell, Hole, InputBeam, Mirror
from autocell.optics.reentrance import circle_slopes, reentrant_circle, spacing_for_advance
from autocell.optics.trace import trace

SMALL = 1e-6
"""Scale at which the exact trace is paraxial to twelve digits."""


def cell_of(spacing_m, radius_1_m, radius_2_m):
    one, two = (Mirror.spherical(radius, 0.2, 0.985) for radius in (radius_1_m, radius_2_m))
    return Cell(spacing_m, one, two, (Hole("entrance", 0.0, 0.0, 1e-3),))


def beam_of(start_m, slopes):
    return InputBeam(*start_m, *slopes, 633e-9, 2e-4, 2e-4, 0.1, 0.1)


@pytest.mark.parametrize("radii", [(0.4, 0.4), (0.5, 0.3), (0.3, 0.5)])
@pytest.mark.parametrize("spacing_m", [0.13, 0.23, 0.61])
@pytest.mark.parametrize("passes", [7, 22])
def test_the_beam_arrives_where_it_was_aimed_at(radii, spacing_m, passes):
    start, end = (SMALL, 0.0), (0.3 * SMALL, -0.7 * SMALL)
    aim = paraxial_aim(spacing_m, *radii, start, end, passes)
    path = trace(cell_of(spacing_m, *radii), beam_of(start, (aim.slope_x, aim.slope_y)), 400)
    np.testing.assert_allclose(path.position_m[passes, :2], end, atol=1e-9 * aim.large_m)
    # the spots of each mirror lie on an ellipse of these half-axes
    for on, large_m in ((slice(0, None, 2), aim.large_m), (slice(1, None, 2), aim.far_large_m)):
        away = np.hypot(*path.position_m[on, :2].T)
        assert away.max() == pytest.approx(large_m, rel=1e-3)
        assert away.min() == pytest.approx(aim.small_m / aim.large_m * large_m, rel=2e-2)


def test_towards_another_place_of_its_circle_it_is_the_circle():
    # F6: x′ = −r/R, y′ = (r/R) √((2R−d)/d) [exact], paraxial; Nθ = 2πk + φ
    azimuth, passes, orbits, r, radius = 0.7, 25, 4, 0.015, 0.4
    d = float(spacing_for_advance((2.0 * math.pi * orbits + azimuth) / passes, radius, radius))
    end = (r * math.cos(azimuth), r * math.sin(azimuth))
    aim = paraxial_aim(d, radius, radius, (r, 0.0), end, passes)
    assert (aim.slope_x, aim.slope_y) == pytest.approx(circle_slopes(r, d, radius), rel=1e-12)
    assert (aim.large_m, aim.small_m) == pytest.approx((r, r), rel=1e-12)


def test_the_exact_slopes_are_those_of_the_exact_circle():
    # F7: at its own spacing, larger than the paraxial one
    azimuth, passes, r, radius = 0.7, 25, 0.015, 0.4
    orbit = reentrant_circle(passes, 4, radius, radius, r, azimuth)
    cell, start = cell_of(orbit.spacing_m, radius, radius), (r, 0.0)
    end = (r * math.cos(azimuth), r * math.sin(azimuth))
    aim = paraxial_aim(orbit.spacing_m, radius, radius, start, end, passes)
    slopes = exact_slopes(cell, beam_of(start, (aim.slope_x, aim.slope_y)), passes, end)
    assert slopes == pytest.approx((orbit.radial_slope, orbit.tangential_slope), abs=1e-8)
    place = trace(cell, beam_of(start, slopes), passes).position_m[passes, :2]
    assert np.hypot(*(place - end)) < 1e-9


def test_where_nothing_leads_there_it_says_so():
    # Nθ = 2π k: every beam is back where it came in
    d = float(spacing_for_advance(math.pi / 3.0, 0.4, 0.4))
    with pytest.raises(ValueError, match="no slope says"):
        paraxial_aim(d, 0.4, 0.4, (0.01, 0.0), (0.0, 0.01), 6)
    with pytest.raises(ValueError, match="no slope says"):
        paraxial_aim(0.81, 0.4, 0.4, (0.01, 0.0), (0.0, 0.01), 6)  # unstable
    beam = beam_of((0.01, 0.0), (0.0, 0.0))
    with pytest.raises(ValueError, match="no slopes lead"):
        exact_slopes(cell_of(0.3, 0.4, 0.4), beam, 7, (0.5, 0.0))  # beyond the mirror


def test_a_line_through_the_axis_joins_what_lies_on_it():
    assert in_line((0.01, 0.0), (-0.004, 0.0))
    assert in_line((0.0, 0.0), (0.003, 0.004))
    assert not in_line((0.01, 0.0), (0.01, 1e-6))
    aim = paraxial_aim(0.3, 0.4, 0.4, (0.01, 0.0), (-0.004, 0.0), 7)
    assert aim.small_m == 0.0
    assert aim.slope_y == 0.0
