"""Where members have their plateaus, and how far they agree."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autocell.belief.plateau import Plateau, Spread, find_plateau
from autocell.optics.plateau import plateau_edges
from autocell.scan import Scan

from .conftest import PASSES, PEAT_BOG, TARGET, a_bench, a_model

SCAN = np.linspace(0.0, 10.0, 11)
SCAN_OF_SPACING = Scan.along(PEAT_BOG, "spacing", TARGET)


def plateau_of(model, benches, reach):
    """Their plateau along the spacing, around where the bench file has it."""
    here = TARGET.spacing_m
    return find_plateau(model, benches, SCAN_OF_SPACING, PASSES, near=here, reach=reach)


def edges(passes, light, rest=None, wanted=26, near=5.0):
    """Edges on a hand-made staircase: light of the strongest pass count, and the rest."""
    light = np.asarray(light, dtype=float)
    rest = np.zeros_like(light) if rest is None else np.asarray(rest, dtype=float)
    return plateau_edges(SCAN, light + rest, np.asarray(passes), light, wanted, near)


def test_an_edge_between_two_spacings_is_interpolated():
    passes = [20, 20, 20, 26, 26, 26, 26, 32, 32, 32, 32]
    light = np.ones(11)
    low, high = edges(passes, light)
    # from −1 (all of it another count) to +1 (all of it ours): zero halfway
    assert (low, high) == pytest.approx((2.5, 6.5))
    rest = np.zeros(11)
    rest[3] = 1.0 / 3.0  # three quarters ours: half a step closer than the rest's −1 to +1
    low, _ = edges(passes, light, rest)
    assert low == pytest.approx(2.0 + 1.0 / 1.5)


def test_an_edge_where_only_the_light_fades_is_at_half_of_its_largest():
    passes = np.full(11, 26)
    light = [0.0, 0.0, 0.1, 0.3, 1.0, 1.0, 1.0, 0.7, 0.2, 0.0, 0.0]
    low, high = edges(passes, light)
    assert low == pytest.approx(3.0 + 0.2 / 0.7)
    assert high == pytest.approx(7.0 + 0.2 / 0.5)


@pytest.mark.parametrize(
    ("passes", "low", "high"),
    [
        ([26] * 4 + [32] * 7, np.nan, 3.5),
        ([20] * 4 + [26] * 7, 3.5, np.nan),
        ([26] * 11, np.nan, np.nan),
        ([20] * 11, np.nan, np.nan),
    ],
)
def test_beyond_the_scan_there_is_no_edge(passes, low, high):
    assert edges(passes, np.ones(11)) == pytest.approx((low, high), nan_ok=True)


@pytest.mark.parametrize(("near", "run"), [(1.0, (0.5, 2.5)), (9.0, (6.5, 9.5))])
def test_of_two_runs_the_nearest_counts(near, run):
    passes = [20, 26, 26, 20, 20, 20, 20, 26, 26, 26, 20]
    assert edges(passes, np.ones(11), near=near) == pytest.approx(run)


def test_the_plateau_moves_with_the_offset_of_the_spacing_and_keeps_its_width():
    model = a_model("spacing_offset_m")
    offsets = np.array([-0.9, 0.0, 0.6])
    benches = np.array([a_bench(spacing_offset_m=z) for z in offsets])
    plateau = find_plateau(
        model, benches, SCAN_OF_SPACING, PASSES, near=TARGET.spacing_m, reach=6e-3
    )
    shift = 1e-3 * offsets  # one tolerance is a millimetre
    np.testing.assert_allclose(plateau.low_at + shift, plateau.low_at[1], atol=5e-6)
    np.testing.assert_allclose(plateau.high_at + shift, plateau.high_at[1], atol=5e-6)
    assert plateau.share == 1.0
    assert plateau.low.value < TARGET.spacing_m < plateau.high.value
    assert plateau.centre.value == pytest.approx(0.5 * (plateau.low_at[1] + plateau.high_at[1]))


def test_at_an_edge_the_wanted_light_has_half_of_what_leaves_or_half_its_height():
    model, bench = a_model("spacing_offset_m"), a_bench()[None, :]
    plateau = plateau_of(model, bench, 6e-3)
    top = model.predict(bench, (TARGET.at_spacing(plateau.centre.value),)).power_w[0, 0]
    for edge, inward in ((plateau.low.value, 1.0), (plateau.high.value, -1.0)):
        inside, outside = (
            model.predict(bench, (TARGET.at_spacing(edge + inward * step),))
            for step in (5e-5, -5e-5)
        )
        assert inside.passes[0, 0] == PASSES
        assert inside.strongest_w[0, 0] > 0.5 * max(top, inside.power_w[0, 0])
        ours = outside.strongest_w[0, 0] if outside.passes[0, 0] == PASSES else 0.0
        assert ours < 0.5 * max(top, outside.power_w[0, 0])


@pytest.mark.parametrize("spread", [0.05, 1.0], ids=["edges close", "edges far apart"])
@pytest.mark.parametrize("axis", ["spacing", "pitch"])
def test_edges_are_those_of_asking_every_bench_at_every_place(axis, spread):
    model = a_model(max_passes=200)
    benches = spread * model.prior.draw(60, np.random.default_rng(8))
    scan = Scan.along(PEAT_BOG, axis, TARGET)
    reach = 5.1e-3 if axis == "spacing" else 3e-2
    found = find_plateau(model, benches, scan, PASSES, near=scan.here, reach=reach)
    every = scan.here + np.linspace(-reach, reach, 2 * 102 + 1 if axis == "spacing" else 97)
    seen = model.predict(benches, scan.beyond(every))
    low, high = plateau_edges(every, seen.light_w, seen.passes, seen.strongest_w, PASSES, scan.here)
    assert np.count_nonzero(np.isfinite(low) | np.isfinite(high)) > 30
    # but for where the largest light was, half of which ends a plateau
    room = 3e-4 * reach
    np.testing.assert_allclose(found.low_at, low, atol=room)
    np.testing.assert_allclose(found.high_at, high, atol=room)


def test_a_scan_too_short_for_an_edge_says_so():
    model = a_model("spacing_offset_m")
    plateau = find_plateau(
        model, a_bench()[None, :], SCAN_OF_SPACING, PASSES, near=TARGET.spacing_m, reach=1e-4
    )
    assert plateau.share == 0.0
    assert np.isnan(plateau.low.value)
    assert np.isnan(plateau.centre.value)


def test_share_counts_benches_with_both_edges():
    nan = np.nan
    plateau = Plateau(np.array([1.0, nan, 1.2, nan]), np.array([2.0, 2.1, nan, nan]))
    assert plateau.share == 0.25


def test_a_spread_is_median_and_standard_deviation_of_a_normal_sample():
    sample = np.random.default_rng(0).normal(3.0, 0.2, 20_000)
    spread = Spread.of(np.concatenate([sample, [np.nan] * 50]))
    # three standard errors of the median and of the quantiles of 20,000
    assert spread.value == pytest.approx(3.0, abs=3.0 * 1.2533 * 0.2 / np.sqrt(20_000))
    assert spread.u == pytest.approx(0.2, rel=0.03)
    # 0.25 % and 99.75 % of a normal lie 2.807 standard deviations out
    assert (spread.low, spread.high) == pytest.approx((3.0 - 0.5614, 3.0 + 0.5614), abs=0.04)


def test_one_wild_member_in_a_thousand_does_not_widen_a_spread():
    sample = np.random.default_rng(1).normal(0.0, 1.0, 1000)
    wild = np.append(sample, 1e6)
    assert Spread.of(wild).u == pytest.approx(Spread.of(sample).u, rel=0.01)


def test_nobody_knows_is_not_a_number_and_admits_nothing():
    nowhere = Spread.of(np.array([np.nan, np.nan]))
    assert np.isnan([nowhere.value, nowhere.u, nowhere.low, nowhere.high]).all()
    here = Spread(1.0, 0.1, 0.7, 1.3)
    assert not nowhere.admits(here)
    assert not here.admits(nowhere)


@settings(max_examples=50)
@given(st.floats(-1.0, 1.0), st.floats(1e-3, 0.3), st.floats(1e-3, 0.3), st.floats(-9.0, 9.0))
def test_admits_within_three_standard_deviations_and_not_far_beyond(value, u, found_u, off):
    expected = Spread(value, u, value - 2.0 * u, value + 2.0 * u)
    both = float(np.hypot(u, found_u))
    found = value + off * both
    admitted = expected.admits(Spread(found, found_u, found, found))
    if abs(off) < 2.99:
        assert admitted
    if abs(off) * both > 3.01 * (both + found_u):
        assert not admitted


def test_a_minority_with_another_opinion_is_admitted():
    most, few = np.full(990, 1.0), np.full(10, 2.0)
    spread = Spread.of(np.concatenate([most, few]))
    assert spread.value == 1.0
    assert spread.admits(Spread(2.0, 1e-3, 2.0, 2.0))
    assert not spread.admits(Spread(2.1, 1e-3, 2.1, 2.1))
