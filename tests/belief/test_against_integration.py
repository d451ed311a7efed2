"""The population against direct numerical integration, where few unknowns are left."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from .conftest import (
    PASSES,
    TARGET,
    UNKNOWNS,
    a_bench,
    a_model,
    believing,
    beside,
    readings_of,
    shares,
)

OFFSET, REFLECTIVITY, GAIN = (
    UNKNOWNS.index(name) for name in ("spacing_offset_m", "reflectivity", "log_gain")
)
TAIL = 0.08


def log_posterior(readings, predicted):
    """Student's t with five degrees of freedom around each prediction (..., S), from scipy.

    The scale is what the belief promises: meter noise, 0.6 % of the reading and 0.4 % of the
    largest, in quadrature.
    """
    power = np.array([r.power_w for r in readings])
    noise = np.array([r.uncertainty_w for r in readings])
    sigma = np.sqrt(noise**2 + (0.006 * power) ** 2 + (0.004 * power.max()) ** 2)
    return stats.t(5).logpdf((predicted - power) / sigma).sum(axis=-1)


def log_prior(z):
    """Flat within the tolerance, an exponential tail beyond."""
    return -np.maximum(np.abs(z) - 1.0, 0.0) / TAIL


def normalised(log_density):
    density = np.exp(log_density - log_density.max())
    return density / density.sum()


@pytest.mark.parametrize(
    ("truth", "shifts_m"),
    [
        (0.35, (1.5e-3,)),  # one reading: several modes
        (-0.7, (2.6e-3, -1.0e-3)),
        (0.1, (2.1e-3, 1.6e-3, -2.4e-3)),
    ],
)
def test_one_unknown_is_believed_as_integration_says(truth, shifts_m):
    model = a_model("spacing_offset_m")
    places = [beside(shift) for shift in shifts_m]
    rng = np.random.default_rng(8)
    readings = readings_of(model, a_bench(spacing_offset_m=truth), places, rng)

    grid = np.linspace(-1.8, 1.8, 7201)
    benches = np.zeros((len(grid), len(UNKNOWNS)))
    benches[:, OFFSET] = grid
    weight = normalised(
        log_posterior(readings, model.predict(benches, places).power_w) + log_prior(grid)
    )
    cumulative = np.cumsum(weight)

    beliefs = [believing(model, readings, seed, members=500, sweeps=8) for seed in range(4)]
    believed = np.sort(np.concatenate([belief.z[:, OFFSET] for belief in beliefs]))
    steps = (np.arange(len(believed)) + 0.5) / len(believed)
    distance = np.abs(np.interp(believed, grid, cumulative) - steps).max()
    # Kolmogorov's 1.63/√n (1 %), members in tens of common ancestry
    independent = len(believed) / 10.0
    assert distance < 1.63 / np.sqrt(independent)

    passes = model.predict(benches, (TARGET,)).passes[:, 0]
    found = [shares(belief) for belief in beliefs]
    for count in np.unique(passes):
        exact = float(weight[passes == count].sum())
        room = 4.0 * np.sqrt(max(exact * (1.0 - exact), 1e-3) / independent)
        share = np.mean([one.get(int(count), 0.0) for one in found])
        assert share == pytest.approx(exact, abs=room)


def test_reflectivity_and_gain_are_believed_as_integration_says():
    """Two plateaus of different pass counts tell the two apart, but for a common line."""
    model = a_model("reflectivity", "log_gain")
    places = [beside(shift) for shift in (-1.0e-3, 9.0e-3, 16.5e-3)]
    rng = np.random.default_rng(9)
    readings = readings_of(model, a_bench(reflectivity=-0.4, log_gain=0.3), places, rng)
    assert len(set(model.predict(a_bench()[None, :], places).passes[0])) == 3

    axis = np.linspace(-1.7, 1.7, 241)
    r, g = (a.ravel() for a in np.meshgrid(axis, axis, indexing="ij"))
    benches = np.zeros((r.size, len(UNKNOWNS)))
    benches[:, REFLECTIVITY], benches[:, GAIN] = r, g
    weight = normalised(
        log_posterior(readings, model.predict(benches, places).power_w)
        + log_prior(r)
        + log_prior(g)
    )
    mean = np.array([weight @ r, weight @ g])
    centred = np.stack([r, g]) - mean[:, None]
    covariance = (weight * centred) @ centred.T

    belief = believing(model, readings, seed=2, members=1000, sweeps=10)
    sample = belief.z[:, [REFLECTIVITY, GAIN]]
    error = np.sqrt(np.diag(covariance) / (len(sample) / 3.0))
    assert np.all(np.abs(sample.mean(axis=0) - mean) < 4.0 * error)
    np.testing.assert_allclose(np.cov(sample.T), covariance, rtol=0.2, atol=2e-3)


def test_four_unknowns_are_believed_as_importance_sampling_says():
    """Draws of the prior weighed by the likelihood, for two dozen drawn benches."""
    unknown = ("spacing_offset_m", "reflectivity", "log_gain", "slope_x")
    columns = [UNKNOWNS.index(name) for name in unknown]
    model = a_model(*unknown)
    places = [beside(shift) for shift in (2.2e-3, -2.0e-3, 0.6e-3)]
    drawn = model.prior.draw(150_000, np.random.default_rng(99))
    predicted = model.predict(drawn, places).power_w
    asked = beside(1.4e-3)  # near the end of the plateau: some of the benches have it there
    passes = model.predict(drawn, (asked,)).passes[:, 0]

    rng = np.random.default_rng(23)
    rank_errors, share_errors, exact_shares, room = [], [], [], []
    for index, bench in enumerate(model.prior.draw(24, rng)):
        readings = readings_of(model, bench, places, rng, noise=5e-3)
        weight = normalised(log_posterior(readings, predicted))
        belief = believing(model, readings, index, members=400, sweeps=8)
        middle = np.median(belief.z, axis=0)
        rank_errors.append([weight @ (drawn[:, c] < middle[c]) - 0.5 for c in columns])
        exact = float(weight[passes == PASSES].sum())
        share_errors.append(shares(belief, asked).get(PASSES, 0.0) - exact)
        exact_shares.append(exact)
        # drawn benches that count, and members in tens of common ancestry
        variance = np.sum(weight**2) + 10.0 / len(belief.z)
        room.append(4.0 * np.sqrt(max(exact * (1.0 - exact), 1e-3) * variance))
    off = np.array(rank_errors)
    # where integration has the belief's median: in the middle, give or take some tens of members
    assert np.all(np.abs(off.mean(axis=0)) < 4.0 * off.std(axis=0) / np.sqrt(len(off)))
    assert np.all(np.sqrt(np.mean(off**2, axis=0)) < 0.15)
    assert np.all(np.abs(share_errors) < room)
    assert np.abs(np.mean(share_errors)) < 0.03
    assert min(exact_shares) < 0.5 < 0.99 < max(exact_shares)
