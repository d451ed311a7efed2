"""The best fit of a hypothesis: climbing from many starts at once.

Levenberg–Marquardt on the heavy-tailed likelihood (iteratively reweighted) plus the prior, for
all starts in one batch, with derivatives by differences of the exact trace.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from autocell.belief.likelihood import DEGREES_OF_FREEDOM, Evidence
from autocell.belief.model import BenchModel
from autocell.belief.unknowns import FloatArray, Prior
from autocell.setting import Setting

_DIFFERENCE = 1e-3
_RIDGE = 1e-3


@dataclass(frozen=True)
class Fit:
    """Climbed benches (K, D), their log posterior (K,) and predicted power (K, S)."""

    z: FloatArray
    log_posterior: FloatArray
    predicted_w: FloatArray


def climb(
    model: BenchModel,
    prior: Prior,
    evidence: Evidence,
    z: FloatArray,
    *,
    showing: tuple[Setting, int] | None = None,
    steps: int = 12,
) -> Fit:
    """Improve the benches ``z`` (K, D) by at most ``steps`` steps each; none gets worse.

    With ``showing`` a bench only takes steps after which it still shows that number of passes
    at that setting.
    """
    starts, unknowns = z.shape

    def ask(points: FloatArray) -> FloatArray:
        return model.predict(points.reshape(-1, unknowns), evidence.settings).power_w.reshape(
            *points.shape[:-1], -1
        )

    def score(points: FloatArray, predicted: FloatArray) -> FloatArray:
        return evidence.log_likelihood(predicted) + prior.log_density(points)

    z = z.copy()
    predicted = ask(z)
    best = score(z, predicted)
    damping = np.full(starts, 1e-2)
    nudges = _DIFFERENCE * np.eye(unknowns)
    for _ in range(steps):
        slope = (ask(z[:, None, :] + nudges) - predicted[:, None, :]) / _DIFFERENCE
        deviation = (predicted - evidence.power_w) / evidence.sigma_w
        weight = (DEGREES_OF_FREEDOM + 1.0) / (DEGREES_OF_FREEDOM + deviation**2)
        jacobian = slope / evidence.sigma_w
        pull = prior.penalty(z)
        stiff = prior.stiffness(z)
        gradient = np.einsum("kus,ks->ku", jacobian, weight * deviation) + pull * np.sqrt(stiff)
        normal = np.einsum("kus,ks,kvs->kuv", jacobian, weight, jacobian)
        diagonal = np.einsum("kuu->ku", normal)
        normal = (
            normal
            + np.eye(unknowns) * (stiff + _RIDGE + damping[:, None] * (1.0 + diagonal))[:, None, :]
        )
        step = -np.linalg.solve(normal, gradient[..., None])[..., 0]
        trial = z + np.clip(step, -0.5, 0.5)
        tried = ask(trial)
        reached = score(trial, tried)
        better = reached > best
        if showing is not None:
            at, passes = showing
            better &= model.predict(trial, (at,)).passes[:, 0] == passes
        z[better], predicted[better], best[better] = trial[better], tried[better], reached[better]
        damping = np.where(better, damping / 4.0, damping * 4.0)
    return Fit(z, best, predicted)
