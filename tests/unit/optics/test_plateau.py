"""Edges of plateaus on staircases whose edges are known."""

from __future__ import annotations

import numpy as np
import pytest

from autocell.optics.plateau import plateau_edges

SPACING = np.linspace(0.0, 1.0, 1001)


def staircase(centre, width, rounding=0.01, height=0.5):
    """One plateau of eight passes with edges where its light falls to a half, six around it."""
    light = height / (1.0 + np.exp((np.abs(SPACING - centre) - 0.5 * width) / rounding))
    rest = 0.9 * (height - light)
    passes = np.where(light > rest, 8, 6)
    return light + rest, passes, np.maximum(light, rest)


def test_an_edge_is_where_half_the_light_is_left_or_another_overtakes():
    low, high = plateau_edges(SPACING, *staircase(0.4, 0.2), 8, 0.4)
    # overtaken a little inside the half: light/(light + 0.9 rest) = 1/2 at light = 0.9/1.9
    inside = 0.01 * np.log(1.0 / 0.9)
    assert low == pytest.approx(0.3 - inside, abs=2e-3)
    assert high == pytest.approx(0.5 + inside, abs=2e-3)
    assert high - low == pytest.approx(0.2, abs=4e-3)


def test_the_plateau_nearest_to_the_wanted_spacing_counts():
    one, two = staircase(0.3, 0.1), staircase(0.7, 0.14)
    power = np.where(SPACING < 0.5, one[0], two[0])
    passes = np.where(SPACING < 0.5, one[1], two[1])
    strongest = np.where(SPACING < 0.5, one[2], two[2])
    near_first = plateau_edges(SPACING, power, passes, strongest, 8, 0.35)
    near_second = plateau_edges(SPACING, power, passes, strongest, 8, 0.62)
    assert near_first == pytest.approx((0.25, 0.35), abs=4e-3)
    assert near_second == pytest.approx((0.63, 0.77), abs=4e-3)


def test_a_plateau_that_is_not_there_or_goes_on_has_no_edge():
    power, passes, strongest = staircase(0.0, 0.4)
    low, high = plateau_edges(SPACING, power, passes, strongest, 8, 0.0)
    assert np.isnan(low)
    assert high == pytest.approx(0.2, abs=3e-3)
    low, high = plateau_edges(SPACING, power, passes, strongest, 10, 0.0)
    assert np.isnan(low)
    assert np.isnan(high)


def test_a_batch_has_an_edge_pair_each():
    rows = [staircase(c, 0.2) for c in (0.3, 0.5, 0.6)]
    power, passes, strongest = (np.array([row[k] for row in rows]) for k in range(3))
    low, high = plateau_edges(SPACING, power, passes, strongest, 8, np.array([0.3, 0.5, 0.6]))
    np.testing.assert_allclose(0.5 * (low + high), [0.3, 0.5, 0.6], atol=2e-3)
