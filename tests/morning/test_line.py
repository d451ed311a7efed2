"""Trends held to other ways of computing them, and to what they claim of themselves."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import null_space, solve_triangular
from scipy.optimize import curve_fit
from scipy.stats import linregress, multivariate_normal

from autocell.trends.forecast import Trend, forecast, trend
from autocell.trends.jumps import find_jump, off_nights
from autocell.trends.line import FloatArray, covariances, fit, levels

NIGHTS = np.array([0.0, 1.0, 2.0, 4.0, 5.0, 6.0, 7.0, 9.0, 10.0, 12.0, 13.0, 14.0, 15.0, 16.0])
U = np.array([1.0, 0.8, 1.2, 1.0, 2.0, 0.7, 1.0, 1.1, 0.9, 1.0, 1.3, 0.8, 1.0, 1.1])


def wandering(rng: np.random.Generator, nights: int, slope: float, walk: float) -> FloatArray:
    steps = rng.normal(0.0, 1.0, nights) * walk
    steps[0] = 0.0
    return np.asarray(slope * np.arange(nights) + np.cumsum(steps))


def test_without_scatter_it_is_the_weighted_line_of_scipy() -> None:
    values = 3.0 + 0.25 * NIGHTS
    line = fit(NIGHTS, values, U)
    (slope, level), cov = curve_fit(
        lambda t, b, a: a + b * t, NIGHTS, values, sigma=U, absolute_sigma=True
    )
    assert line.slope == pytest.approx(slope, rel=1e-9)
    assert line.slope_u == pytest.approx(float(np.sqrt(cov[0, 0])), rel=1e-6)
    assert line.at(4.0)[0] == pytest.approx(level + 4.0 * slope, rel=1e-9)


def test_each_pair_of_scatter_and_walk_gives_the_least_squares_of_whitened_values() -> None:
    values = np.random.default_rng(1).normal(0.0, 3.0, 14)
    line = fit(NIGHTS, values, U)
    s, q, _ = levels(NIGHTS, values)
    for pair in (0, 17, 60, len(s) - 1):
        (V,) = covariances(NIGHTS, U, s[pair : pair + 1], q[pair : pair + 1])
        root = np.linalg.cholesky(V)
        X = solve_triangular(root, np.stack([np.ones(14), NIGHTS], axis=1), lower=True)
        beta, *_ = np.linalg.lstsq(X, solve_triangular(root, values, lower=True), rcond=None)
        assert line.beta[pair] == pytest.approx(beta, rel=1e-8)
        assert line.cov[pair] == pytest.approx(np.linalg.inv(X.T @ X), rel=1e-7)


def contrasts(values: FloatArray, s: float, q: float, jump: FloatArray | None = None) -> float:
    """Log density of what is left of values when no line can change it: the restricted likelihood
    by its definition (Patterson & Thompson 1971)."""
    (V,) = covariances(NIGHTS, U, np.array([s]), np.array([q]))
    if jump is not None:
        V = V + np.ptp(values) ** 2 * np.outer(jump, jump)
    K = null_space(np.stack([np.ones(14), NIGHTS]))
    return float(multivariate_normal(cov=K.T @ V @ K).logpdf(K.T @ values))


def test_pairs_are_weighed_by_the_density_of_error_contrasts() -> None:
    values = np.random.default_rng(2).normal(0.0, 3.0, 14)
    s, q, prior = levels(NIGHTS, values)
    density = np.exp([contrasts(values, *pair) for pair in zip(s, q, strict=True)]) * prior
    assert fit(NIGHTS, values, U).weights == pytest.approx(density / density.sum(), rel=1e-6)


def test_the_odds_of_a_jump_are_those_of_the_densities_with_and_without() -> None:
    values = np.where(NIGHTS >= 9.0, 40.0, 0.0) + np.random.default_rng(3).normal(0.0, 1.0, 14)
    s, q, prior = levels(NIGHTS, values)
    odds = {}
    for first in (6, 7, 8):
        after = (np.arange(14) >= first).astype(float)
        odds[first] = sum(
            p * np.exp(contrasts(values, a, b, after)) for a, b, p in zip(s, q, prior, strict=True)
        )
    jump = find_jump(NIGHTS, values, U)
    assert jump is not None
    assert jump.first == max(odds, key=lambda first: odds[first]) == 7
    assert abs(jump.size - 40.0) < 3.0 * jump.u


def test_what_comes_is_predicted_as_a_normal_distribution_conditioned_on_the_past() -> None:
    values = np.random.default_rng(4).normal(0.0, 3.0, 14)
    line = fit(NIGHTS, values, U)
    s, q, _ = levels(NIGHTS, values)
    all_nights = np.append(NIGHTS, 21.0)
    X = np.stack([np.ones(15), all_nights], axis=1)
    means, variances = [], []
    for pair in range(len(s)):
        # a line of which hardly anything is known, as one big normal distribution
        joint = 1e6 * X @ X.T + q[pair] ** 2 * np.minimum.outer(all_nights, all_nights)
        seen = joint[:14, :14] + np.diag(s[pair] ** 2 + U**2)
        gain = np.linalg.solve(seen, joint[:14, 14])
        means.append(gain @ values)
        variances.append(joint[14, 14] - gain @ joint[:14, 14])
    z = (np.array(means) - 2.0) / np.sqrt(variances)
    expected = line.weights @ multivariate_normal().cdf(z[:, None])
    assert line.beyond(21.0, 2.0, above=True) == pytest.approx(float(expected), abs=2e-4)
    assert line.beyond(21.0, 2.0, above=False) == pytest.approx(1.0 - float(expected), abs=2e-4)


def test_scatter_beyond_what_was_stated_is_noticed() -> None:
    wider = []
    for seed in range(20):
        values = np.random.default_rng(seed).normal(0.0, 5.0, 20)
        line = fit(np.arange(20.0), values, np.full(20, 0.5))
        wider.append(line.slope_u / linregress(np.arange(20.0), values).stderr)
    assert min(wider) > 0.9
    assert np.median(wider) < 4.0, "what the doubt whether it walks may cost"


@pytest.mark.parametrize("walk", [0.0, 0.5, 3.0])
def test_no_trend_is_found_where_there_is_none(walk: float) -> None:
    rng = np.random.default_rng(5)
    nights, u = np.arange(14.0), np.ones(14)
    ordinary = found = 0
    for _ in range(150):
        values = wandering(rng, 14, 0.0, walk) + rng.normal(0.0, 1.0, 14)
        found += trend(nights, values, u).found
        ordinary += linregress(nights, values).pvalue < 2.0 * (1.0 - 0.99865)
    # 2 % of 150 and two standard deviations of that count
    assert found <= 6
    if walk == 3.0:
        assert ordinary > 40, "ordinary regression finds trends in a walk that has none"


@pytest.mark.parametrize("walk", [0.0, 0.5])
def test_the_slope_lies_within_its_uncertainty_as_often_as_it_says(walk: float) -> None:
    rng = np.random.default_rng(6)
    nights, u = np.arange(14.0), np.ones(14)
    inside = 0
    for _ in range(150):
        line = fit(nights, wandering(rng, 14, 1.0, walk) + rng.normal(0.0, 1.0, 14), u)
        inside += abs(line.slope - 1.0) < 1.96 * line.slope_u
    assert inside / 150 > 0.88


@pytest.mark.parametrize("walk", [0.0, 0.5])
def test_a_limit_is_passed_when_the_forecast_says(walk: float) -> None:
    rng = np.random.default_rng(7)
    told = inside = 0
    for _ in range(120):
        latent = wandering(rng, 90, 2.0, walk)
        seen = trend(np.arange(14.0), latent[:14] + rng.normal(0.0, 1.0, 14), np.ones(14))
        ahead = forecast(seen, 45.0, above=True)
        if ahead is None:
            continue
        told += 1
        passed = float(np.argmax(latent > 45.0)) - 13.0  # known to a night, hence the ones below
        latest = np.inf if ahead.latest is None else ahead.latest
        inside += ahead.earliest - 1.0 < passed < latest + 1.0
    assert told > 100
    assert inside / told > 0.93


def fallen(seed: int = 8) -> tuple[FloatArray, FloatArray, FloatArray]:
    nights = np.arange(30.0)
    noise = np.random.default_rng(seed).normal(0.0, 1.0, 30)
    return nights, 50.0 - nights + noise, np.ones(30)


def test_a_limit_on_the_other_side_or_far_away_is_not_forecast() -> None:
    seen = trend(*fallen())
    assert seen.found
    assert forecast(seen, 60.0, above=True) is None
    assert forecast(seen, -1000.0, above=False) is None
    ahead = forecast(seen, 0.0, above=False)
    assert ahead is not None
    assert ahead.middle is not None
    assert ahead.latest is not None
    assert ahead.earliest < 21.0 < ahead.latest
    assert forecast(seen, 45.0, above=False) == pytest.approx(  # passed long ago
        forecast(seen, 45.0, above=False)
    )


def test_a_limit_that_was_passed_already_is_due_now() -> None:
    ahead = forecast(trend(*fallen()), 45.0, above=False)
    assert ahead is not None
    assert (ahead.earliest, ahead.middle, ahead.latest) == (0.0, 0.0, 0.0)


def test_a_trend_begins_anew_after_a_jump() -> None:
    nights, values, u = fallen()
    cleaned = trend(nights, values + 25.0 * (nights >= 18), u)
    assert cleaned.jump is not None
    assert cleaned.jump.first == 18
    assert abs(cleaned.jump.size - 25.0) < 3.0 * cleaned.jump.u
    assert cleaned.used == tuple(range(18, 30))
    assert cleaned.line is not None
    assert abs(cleaned.line.slope + 1.0) < 3.0 * cleaned.line.slope_u


def test_of_two_jumps_the_last_one_counts() -> None:
    nights, values, u = fallen()
    twice = values + 25.0 * (nights >= 10) - 40.0 * (nights >= 20)
    jumped: Trend = trend(nights, twice, u)
    assert jumped.used[0] == 20


def test_a_night_that_is_off_is_set_aside_and_a_line_is_not_bent_by_it() -> None:
    nights, values, u = fallen()
    values[12] += 30.0
    assert off_nights(nights, values, u) == [12]
    seen = trend(nights, values, u)
    assert seen.off == (12,)
    assert 12 not in seen.used
    assert seen.line is not None
    assert abs(seen.line.slope + 1.0) < 3.0 * seen.line.slope_u


def test_a_few_nights_make_no_line() -> None:
    seen = trend(np.arange(6.0), np.arange(6.0), np.full(6, 0.01))
    assert seen.line is None
    assert not seen.found
    assert seen.change is None
    assert forecast(seen, 10.0, above=True) is None


def test_values_that_never_change_have_no_trend() -> None:
    seen = trend(np.arange(10.0), np.full(10, 7.0), np.full(10, 0.1))
    assert not seen.found
    assert seen.jump is None
    assert seen.off == ()


@pytest.mark.parametrize(
    ("nights", "u"),
    [([0.0, 1.0], [1.0, 1.0]), ([0.0, 1.0, 1.0], [1.0] * 3), ([0, 1, 2], [1, 0, 1])],
)
def test_nonsense_is_refused(nights: list[float], u: list[float]) -> None:
    with pytest.raises(ValueError, match="three values"):
        fit(nights, np.zeros(len(nights)), u)
