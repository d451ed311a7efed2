"""What the bench file says before the first reading."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from autocell.belief.unknowns import Prior

from .conftest import PEAT_BOG, UNKNOWNS

PRIOR = Prior.of(PEAT_BOG)
TAIL = 0.08

zs = st.lists(st.floats(-4.0, 4.0), min_size=len(UNKNOWNS), max_size=len(UNKNOWNS)).map(np.array)
allowances = st.sampled_from([1.0, 2.0, 3.0])


@settings(max_examples=25)
@given(zs, allowances)
def test_gradient_is_the_derivative_of_the_density(z, allowance):
    prior = PRIOR.allowing(allowance)
    # a hair away from the corner, where the tail begins
    z = np.where(np.abs(np.abs(z) - prior.allowance) < 1e-3, 0.0, z)
    h = 1e-4
    nudges = h * np.eye(len(UNKNOWNS))
    up, down = (-prior.log_density(p) for p in (z + nudges, z - nudges))
    np.testing.assert_allclose((up - down) / (2.0 * h), prior.gradient(z), rtol=1e-6, atol=1e-6)


@settings(max_examples=25)
@given(zs, allowances)
def test_a_best_fit_that_no_reading_pulls_steps_back_to_where_the_flat_part_ends(z, allowance):
    prior = PRIOR.allowing(allowance)
    outside = np.abs(z) > prior.allowance
    stiff, gradient = prior.stiffness(z), prior.gradient(z)
    assert np.all(stiff[~outside] == 0.0)
    assert np.all(gradient[~outside] == 0.0)
    back = z[outside] - gradient[outside] / stiff[outside]
    flat = np.broadcast_to(prior.allowance, z.shape)[outside]
    far = np.abs(z[outside]) > flat + TAIL
    np.testing.assert_allclose(np.abs(back[far]), flat[far])
    assert np.all(np.abs(back[~far]) <= flat[~far])


@settings(max_examples=25)
@given(zs, allowances)
def test_every_bench_within_the_tolerances_is_equally_likely_and_none_beyond_is_likelier(z, a):
    prior = PRIOR.allowing(a)
    inside = np.clip(z, -a, a)
    assert prior.log_density(inside) == 0.0
    assert prior.log_density(z) <= 0.0
    assert prior.log_density(z) <= prior.allowing(a + 1.0).log_density(z)


@pytest.mark.parametrize("prior", [PRIOR, PRIOR.allowing(3.0)], ids=["file", "doubted"])
def test_draws_follow_the_density(prior: Prior) -> None:
    drawn = prior.draw(2000, np.random.default_rng(1))
    flat = np.broadcast_to(prior.allowance, len(UNKNOWNS))
    for place, column in enumerate(drawn.T):
        reach = flat[place] + 20.0 * TAIL
        grid = np.linspace(-reach, reach, 4001)
        z = np.zeros((len(grid), len(UNKNOWNS)))
        z[:, place] = grid
        values = np.exp(prior.log_density(z))
        cumulative = integrate.cumulative_trapezoid(values, grid, initial=0.0)
        cumulative /= cumulative[-1]
        found = stats.kstest(column, lambda x, g=grid, c=cumulative: np.interp(x, g, c))
        assert found.pvalue > 1e-3
        # of the 150 draws in the tail one in some thousand lies beyond
        assert np.abs(column).max() < flat[place] + 14.0 * TAIL


def test_where_the_file_is_doubted_its_hole_is_doubted_most() -> None:
    doubted = PRIOR.allowing(3.0)
    allowance = dict(zip(doubted.names, np.asarray(doubted.allowance), strict=True))
    # 15 % of the radius, of which the file allows 1.25 %
    assert allowance.pop("hole_radius_m") == pytest.approx(12.0)
    assert set(allowance.values()) == {3.0}
    assert PRIOR.allowance == 1.0


def test_unknowns_are_drawn_independently_of_each_other():
    drawn = PRIOR.draw(4000, np.random.default_rng(2))
    correlation = np.corrcoef(drawn.T) - np.eye(len(UNKNOWNS))
    # four and a half standard deviations of the correlation of 4000 independent pairs
    assert np.abs(correlation).max() < 4.5 / np.sqrt(4000)


def test_one_standardised_unit_is_one_tolerance_of_the_bench_file():
    centre = dict(zip(UNKNOWNS, PRIOR.values(np.zeros(len(UNKNOWNS))), strict=True))
    edge = dict(zip(UNKNOWNS, PRIOR.values(np.ones(len(UNKNOWNS))), strict=True))
    # the numbers of the shipped bench file, in SI
    assert centre["spacing_offset_m"] == 0.0
    assert edge["spacing_offset_m"] == pytest.approx(1e-3)
    assert centre["far_radius_m"] == pytest.approx(0.5)
    assert edge["far_radius_m"] == pytest.approx(0.502)
    assert edge["slope_x"] == pytest.approx(1e-3)
    assert edge["entrance_tilt_y_rad"] == pytest.approx(3e-4)
    assert (centre["reflectivity"], edge["reflectivity"]) == pytest.approx((0.985, 0.988))
    assert edge["hole_radius_m"] - centre["hole_radius_m"] == pytest.approx(25e-6)
    assert edge["waist"] == pytest.approx(1.05)
    assert np.exp(edge["log_gain"]) == pytest.approx(1.05)


def test_a_power_tolerance_of_a_hundred_per_cent_is_half_to_twice():
    vague = replace(PEAT_BOG, laser=replace(PEAT_BOG.laser, power_tolerance=1.0))
    prior = Prior.of(vague)
    gain = UNKNOWNS.index("log_gain")
    ends = [prior.values(np.full(len(UNKNOWNS), z))[gain] for z in (-1.0, 1.0)]
    np.testing.assert_allclose(np.exp(ends), [0.5, 2.0])


def test_every_unknown_has_a_name_in_words():
    words = [unknown.words for unknown in PRIOR.unknowns]
    assert all(words)
    assert len(set(words)) == len(set(UNKNOWNS)) == len(UNKNOWNS)


def test_what_the_bench_file_knows_exactly_is_not_unknown():
    assert "entrance_ratio" not in UNKNOWNS
    mirror = replace(PEAT_BOG.entrance_mirror, toroidal_tolerance=0.002, tilt_tolerance_rad=0.0)
    prior = Prior.of(replace(PEAT_BOG, entrance_mirror=mirror))
    assert "entrance_ratio" in prior.names
    assert "entrance_tilt_x_rad" not in prior.names


def test_axes_of_one_kind_couple_and_the_spacing_with_none():
    couplings = {name for name in UNKNOWNS if " into " in name}
    assert couplings == {
        "pitch into yaw",
        "yaw into pitch",
        "horizontal into vertical",
        "vertical into horizontal",
    }
    scales = {name for name in UNKNOWNS if name.startswith("scale of ")}
    assert scales == {f"scale of {axis}" for axis in PEAT_BOG.axes}
