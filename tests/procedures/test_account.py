"""What a finished run says in numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from autocell.belief.plateau import Spread
from autocell.procedures import account

from .conftest import PASSES, TARGET, Arrived, Start

REPEATABILITY_M = 1e-6
"""Of the spacing axis in the shipped bench file."""


def test_the_rows_of_the_path_budget_add_up(arrived: Arrived) -> None:
    length = account.path_length(arrived.tuning, arrived.at)
    assert length.coverage_factor == 2.0
    # the measurement equation: N times spacing and stage, plus the rest once
    assert sum(r.sensitivity * r.value for r in length.budget) == pytest.approx(length.value_m)
    for row in length.budget:
        assert row.contribution_m == pytest.approx(row.sensitivity * row.standard_uncertainty)
        assert row.unit == "m"
    spacing, rest, stage = length.budget
    assert [row.sensitivity for row in length.budget] == [PASSES, 1.0, PASSES]
    assert stage.standard_uncertainty == REPEATABILITY_M

    # JCGM 100:2008, 5.2.2, equation (16): correlated quantities, with the correlation that the
    # members have
    members = arrived.tuning.belief.z
    seen = arrived.tuning.belief.predict((arrived.at,))
    ours = seen.passes[:, 0] == PASSES
    true_spacing = arrived.tuning.model.spacing_m(members[ours], arrived.at)
    beyond = seen.path_length_m[ours, 0] - PASSES * true_spacing
    r = stats.pearsonr(true_spacing, beyond).statistic
    a, b, c = (row.contribution_m for row in length.budget)
    u = math.sqrt(a**2 + b**2 + 2.0 * r * a * b + c**2)
    assert length.expanded_u_m == pytest.approx(2.0 * u, rel=1e-3)
    assert rest.standard_uncertainty == pytest.approx(np.std(beyond), rel=1e-9)
    assert spacing.value == pytest.approx(np.mean(true_spacing))


def test_the_path_is_the_true_one_within_its_uncertainty(arrived: Arrived) -> None:
    length = account.path_length(arrived.tuning, arrived.at)
    truth = arrived.simulated.truth_report()
    assert abs(length.value_m - truth["path_length_m"]) < 1.5 * length.expanded_u_m
    # a full circular pattern is N·d long but for the fourth order of its radius (20 mm of 500)
    # [exact]: chord² = (d − r²/R)² + (2 r sin θ/2)² with 1 − cos θ = d/R gives d² + r⁴/R²
    assert truth["path_length_m"] == pytest.approx(PASSES * truth["spacing_m"], rel=2e-4)
    spacing, rest, _ = length.budget
    assert abs(rest.value) < 2e-4 * length.value_m
    assert spacing.sensitivity * spacing.value == pytest.approx(length.value_m, rel=2e-4)


def test_an_unknown_spacing_counts_as_often_as_the_light_passes_it(start: Start) -> None:
    tuning, _ = start(unknown=("spacing_offset_m",))
    length = account.path_length(tuning, TARGET)
    spacing = length.budget[0]
    # all passes share one error: N·u, not √N·u
    correlated = 2.0 * PASSES * spacing.standard_uncertainty
    assert length.expanded_u_m == pytest.approx(correlated, rel=0.02)
    assert length.expanded_u_m > 4.0 * 2.0 * math.sqrt(PASSES) * spacing.standard_uncertainty


@pytest.mark.parametrize("passes", [6, 26, 66])
def test_the_expected_throughput_of_a_known_reflectivity(start: Start, passes: int) -> None:
    tuning, _ = start(unknown=("spacing_offset_m",))
    tuning.passes = passes
    # N − 1 reflections: (N passes, entrance and exit through one hole)
    assert account.expected_throughput(tuning) == pytest.approx(0.985 ** (passes - 1))


def test_at_the_best_pass_count_the_throughput_is_one_over_e(start: Start) -> None:
    """The absorption signal N R^N is largest at N = −1/ln R, with R^(N−1) = 1/(e R)."""
    tuning, _ = start(unknown=("spacing_offset_m",))
    best = -1.0 / math.log(0.985)
    assert best == pytest.approx(66.16, abs=0.01)
    tuning.passes = 66
    assert account.expected_throughput(tuning) == pytest.approx(1.0 / (math.e * 0.985), rel=3e-3)


def test_the_exact_trace_lets_through_what_the_reflections_leave(start: Start) -> None:
    tuning, _ = start(unknown=("log_gain",))
    seen = tuning.belief.predict((TARGET,))
    gain = tuning.model.gain_w(tuning.belief.z)
    assert np.all(seen.passes == PASSES)
    # the hole is six beam radii wide: what it clips is below the tracer's floor
    np.testing.assert_allclose(seen.power_w[:, 0] / gain, 0.985 ** (PASSES - 1), rtol=2e-3)
    assert account.expected_throughput(tuning) == pytest.approx(0.985 ** (PASSES - 1))


def test_the_throughput_of_the_bench_is_the_true_one(arrived: Arrived) -> None:
    value, u = account.throughput(arrived.tuning, arrived.height.reading)
    truth = arrived.simulated.truth
    reflectivity = math.sqrt(truth.entrance_reflectivity * truth.far_reflectivity)
    assert abs(value - reflectivity ** (PASSES - 1)) < 3.0 * u
    assert value == pytest.approx(account.expected_throughput(arrived.tuning), rel=0.03)
    gain = arrived.tuning.model.gain_w(arrived.tuning.belief.z)
    assert u / value >= np.std(gain) / np.mean(gain)


def test_margins_are_distances_to_the_edges_or_nothing() -> None:
    low, high = (Spread(edge, 1e-5, edge, edge) for edge in (0.215, 0.219))
    at = TARGET.at_spacing(0.216)
    assert account.margins(at, low, high) == pytest.approx((1e-3, 3e-3))
    assert account.margins(at, Spread.nowhere(), high) == (None, pytest.approx(3e-3))


def test_the_posterior_is_a_distribution_with_the_likeliest_first(start: Start) -> None:
    tuning, _ = start()
    tuning.read_at(tuning.bench.setting, "survey", "reading where the bench stands")
    found = account.posterior(tuning, TARGET)
    probabilities = [probability for _, probability in found]
    assert sum(probabilities) == pytest.approx(1.0)
    assert probabilities == sorted(probabilities, reverse=True)
    assert all(0.0 < probability <= 1.0 for probability in probabilities)
    assert dict(found)[PASSES] == pytest.approx(tuning.probability(TARGET), abs=1e-3)
    assert tuning.guess(TARGET) == (found[0][0], pytest.approx(found[0][1], abs=1e-3))


def test_the_staircase_has_the_readings_inside_its_band(arrived: Arrived) -> None:
    assert account.posterior(arrived.tuning, arrived.at) == ((PASSES, 1.0),)
    stairs = account.staircase(arrived.tuning, TARGET.spacing_m - 4e-3, TARGET.spacing_m + 4e-3)
    low, median, high = (
        np.array(values)
        for values in (stairs.power_low_w, stairs.power_median_w, stairs.power_high_w)
    )
    assert np.all((low <= median) & (median <= high))
    assert PASSES in stairs.passes
    at = arrived.height.reading
    expected = np.interp(at.setting.spacing_m, stairs.spacing_m, median)
    assert at.power_w == pytest.approx(expected, rel=0.02)


def test_the_spots_are_as_many_as_the_light_makes_arrivals(arrived: Arrived) -> None:
    spots = account.spots(arrived.tuning, arrived.at)
    assert len(spots) == PASSES + 1
