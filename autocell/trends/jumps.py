"""Nights on which a value jumped for good, as after mirrors were cleaned, and nights that are off
by themselves: neither belongs into a line through all of them.

That a jump happened before night k is weighed against the straight line of
:mod:`autocell.trends.line` without one, for every k at once: a jump of variance c² adds c² h hᵀ to
the covariance of the values, h being one from night k on, and with P = V⁻¹ − V⁻¹X(XᵀV⁻¹X)⁻¹XᵀV⁻¹
the restricted likelihood changes by the factor

    (1 + c² hᵀPh)^(−1/2) exp(½ (hᵀPy)² c² / (1 + c² hᵀPh))

(matrix determinant lemma and the Sherman-Morrison formula, Golub & Van Loan, Matrix Computations,
2.1.4).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import siegelslopes

from autocell.trends.line import (
    FloatArray,
    covariances,
    design,
    inverted,
    levels,
    likelihood,
    spread,
)

_EACH_SIDE = 3
"""Nights before and after a jump, below which it cannot be told from a night that is off."""

_PRIOR_ODDS = 0.02
"""That there is a jump somewhere in the nights looked at: mirrors are cleaned now and then, knocks
are rarer. [trade]"""

_SURE_ODDS = 100.0

_OFF = 5.0
"""Robust standard deviations from the line of the others, from which on a night is off. [trade]"""


@dataclass(frozen=True)
class Jump:
    """Values from index ``first`` on lie ``size`` ± ``u`` higher than those before."""

    first: int
    size: float
    u: float


def find_jump(nights: ArrayLike, values: ArrayLike, u: ArrayLike) -> Jump | None:
    """The likeliest jump in ``values`` (n,) with standard uncertainties ``u`` (n,) at ``nights``
    (n,), or None when none is beyond doubt."""
    t, y, sigma = (np.asarray(each, dtype=np.float64) for each in (nights, values, u))
    firsts = np.arange(_EACH_SIDE, len(t) - _EACH_SIDE + 1)
    if len(firsts) == 0 or np.ptp(y) == 0.0:
        return None
    s, q, prior = levels(t, y)
    X, inverse = design(t), inverted(covariances(t, sigma, s, q))
    information: FloatArray = X.T @ inverse @ X
    P = inverse - inverse @ X @ inverted(information) @ X.T @ inverse
    weights: FloatArray = prior * likelihood(inverse, information, np.einsum("i,gij,j->g", y, P, y))

    h = (np.arange(len(t))[:, None] >= firsts).astype(np.float64)
    prior_variance = float(np.ptp(y)) ** 2
    known = np.einsum("ik,gij,jk->gk", h, P, h)
    pull = np.einsum("ik,gij,j->gk", h, P, y)
    shrink = prior_variance / (1.0 + prior_variance * known)
    log_gain = 0.5 * (np.log(shrink / prior_variance) + shrink * pull**2)

    joint = weights[:, None] / weights.sum() * np.exp(np.minimum(log_gain, 600.0))
    odds = _PRIOR_ODDS * joint.sum(axis=0) / len(firsts)
    best = int(np.argmax(odds))
    if odds.sum() < _SURE_ODDS:
        return None
    mix = joint[:, best] / joint[:, best].sum()
    means: FloatArray = (shrink * pull)[:, best]
    return Jump(int(firsts[best]), float(mix @ means), spread(mix, means, shrink[:, best]))


def off_nights(nights: ArrayLike, values: ArrayLike, u: ArrayLike) -> list[int]:
    """Indices of single nights far from the line of all others, which is that of the repeated
    median (Siegel, Biometrika 69, 242, 1982); at most one in six. Fewer than seven have none."""
    t, y, sigma = (np.asarray(each, dtype=np.float64) for each in (nights, values, u))
    if len(t) < 7:
        return []
    slope, level = siegelslopes(y, t)
    away = np.abs(y - level - slope * t)
    # the median of |x| of a normal distribution is 0.6745 standard deviations
    scale = np.maximum(np.median(away) / 0.6745, sigma)
    off = np.flatnonzero(away > _OFF * scale)
    return [int(k) for k in off] if len(off) <= len(t) // 6 else []
