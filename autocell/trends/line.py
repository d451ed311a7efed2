"""A straight line through values of different nights, and how far it may be believed.

The value of night t is modelled as

    y(t) = a + b t + W(t) + e(t),

with e independent of variance u² + s², where u is the stated standard uncertainty, and W a random
walk of variance q² a night. A bench that creeps or breathes with its room walks, and an ordinary
regression finds trends in a walk that has none (Granger & Newbold, J. Econometrics 2, 111, 1974).
For each s and q, a and b are the generalised least-squares estimates (Aitken, Proc. R. Soc. Edinb.
55, 42, 1935). The pairs are weighed by the restricted likelihood (Patterson & Thompson, Biometrika
58, 545, 1971) and a prior that is flat in s and q (Gelman, Bayesian Analysis 1, 515, 2006) with a
share at zero, and everything told is the mean over them. With s = q = 0 it is the weighted straight
line of the textbooks. What comes after the last night is predicted by kriging with a drift
(Cressie, Statistics for Spatial Data, 1993, 3.4.5).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

FloatArray = NDArray[np.float64]

SURE = 0.99865
"""Probability of the sign from which on a slope counts as a trend: three standard deviations."""

_LEVELS = 10
"""Of s and of q each, beside zero."""

_NO_SCATTER, _NO_WALK = 0.5, 0.25
"""Prior probability that nothing scatters beyond u, and that nothing walks. A lower second one
finds fewer trends in walks, and knows a slope less well where nothing walks. [trade]"""


@dataclass(frozen=True)
class Line:
    """A line through n nights, seen from G pairs of s and q.

    ``nights`` (n,) are those fitted, ``weights`` (G,) add up to one; ``beta`` (G, 2) are a and b,
    ``cov`` (G, 2, 2) theirs.
    """

    nights: FloatArray
    weights: FloatArray
    beta: FloatArray
    cov: FloatArray
    _q: FloatArray
    _inverse: FloatArray
    _pull: FloatArray
    """V⁻¹(y − a − b t), (G, n)."""

    @property
    def slope(self) -> float:
        """Change a night."""
        return float(self.weights @ self.beta[:, 1])

    @property
    def slope_u(self) -> float:
        """Standard uncertainty of the change a night."""
        return spread(self.weights, self.beta[:, 1], self.cov[:, 1, 1])

    @property
    def span(self) -> float:
        """Nights from the first to the last."""
        return float(self.nights[-1] - self.nights[0])

    @cached_property
    def is_trend(self) -> bool:
        """Whether the sign of the slope is beyond doubt."""
        rising = float(self.weights @ ndtr(self.beta[:, 1] / np.sqrt(self.cov[:, 1, 1])))
        return max(rising, 1.0 - rising) >= SURE

    def at(self, night: float) -> tuple[float, float]:
        """The line itself at a night, with its standard uncertainty."""
        x = np.array([1.0, night])
        means, variances = self.beta @ x, np.einsum("i,gij,j->g", x, self.cov, x)
        return float(self.weights @ means), spread(self.weights, means, variances)

    def beyond(self, nights: ArrayLike, limit: float, *, above: bool) -> FloatArray:
        """Probability that the bench itself (line and walk, no error of reading) is above a limit,
        or below it, at each of these nights, none of which is before the last one fitted."""
        mean, variance = self._predicted(np.atleast_1d(np.asarray(nights, dtype=np.float64)))
        z = (mean - limit) / np.sqrt(np.maximum(variance, np.finfo(float).tiny))
        probability: FloatArray = self.weights @ ndtr(z if above else -z)
        return probability

    def _predicted(self, nights: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and variance at each night (k,) for each pair of s and q, (G, k) both."""
        q2 = self._q[:, None] ** 2
        shared = q2 * (self.nights - self.nights[0])
        solved = np.einsum("gij,gj->gi", self._inverse, shared)
        here = design(nights).T
        rest = here - (solved @ design(self.nights))[:, :, None]
        known = np.sum(solved * shared, axis=1, keepdims=True)
        walk = q2 * (nights - self.nights[0]) - known
        mean = self.beta @ here + np.sum(shared * self._pull, axis=1, keepdims=True)
        return mean, walk + np.einsum("gik,gij,gjk->gk", rest, self.cov, rest)


def fit(nights: ArrayLike, values: ArrayLike, u: ArrayLike) -> Line:
    """The line through ``values`` (n,) with standard uncertainties ``u`` (n,) at ``nights`` (n,),
    which rise.

    Raises ValueError for fewer than three values, for nights that do not rise, or for u ≤ 0.
    """
    t, y, sigma = (np.asarray(each, dtype=np.float64) for each in (nights, values, u))
    if len(t) < 3 or np.any(np.diff(t) <= 0.0) or np.any(sigma <= 0.0):
        raise ValueError("a line needs three values, on nights that rise, each with an uncertainty")
    s, q, prior = levels(t, y)
    X, inverse = design(t), inverted(covariances(t, sigma, s, q))
    information: FloatArray = X.T @ inverse @ X
    cov = inverted(information)
    beta = np.einsum("gij,gjk,k->gi", cov, X.T @ inverse, y)
    pull = np.einsum("gij,gj->gi", inverse, y - beta @ X.T)
    weights: FloatArray = prior * likelihood(inverse, information, pull @ y)
    return Line(t, weights / weights.sum(), beta, cov, q, inverse, pull)


def design(nights: FloatArray) -> FloatArray:
    """One and t for each night, (n, 2)."""
    return np.stack([np.ones_like(nights), nights], axis=1)


def covariances(nights: FloatArray, u: FloatArray, s: FloatArray, q: FloatArray) -> FloatArray:
    """Of the values about the line, for each pair of s and q, (G, n, n)."""
    begun = nights - nights[0]
    own = (s[:, None, None] ** 2 + u**2) * np.eye(len(u))
    walked: FloatArray = q[:, None, None] ** 2 * np.minimum.outer(begun, begun)
    return own + walked


def likelihood(inverse: FloatArray, information: FloatArray, misfit: FloatArray) -> FloatArray:
    """Restricted likelihood over the highest of them, (G,), from V⁻¹ (G, n, n), XᵀV⁻¹X (G, 2, 2)
    and the squared misfit (G,)."""
    log = 0.5 * (np.linalg.slogdet(inverse)[1] - np.linalg.slogdet(information)[1] - misfit)
    relative: FloatArray = np.exp(log - log.max())
    return relative


def levels(nights: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pairs of s and q, and the prior weight of each, (G,) all three.

    Both go up to several times what would explain all of the scatter by itself, denser towards
    zero.
    """
    off_line = values - np.polynomial.Polynomial.fit(nights, values, 1)(nights)
    steps = np.diff(off_line) / np.sqrt(np.diff(nights))
    largest_s = 4.0 * float(np.sqrt(np.sum(off_line**2) / (len(nights) - 2)))
    largest_q = 3.0 * float(np.std(steps))
    middle = (np.arange(_LEVELS) + 0.5) / _LEVELS
    width = middle / middle.sum()
    scatter = np.concatenate([[_NO_SCATTER], (1.0 - _NO_SCATTER) * width])
    walk = np.concatenate([[_NO_WALK], (1.0 - _NO_WALK) * width])
    level = np.concatenate([[0.0], middle**2])
    s, q = np.meshgrid(largest_s * level, largest_q * level)
    return s.ravel(), q.ravel(), np.outer(walk, scatter).ravel()


def inverted(matrices: FloatArray) -> FloatArray:
    """Of each of them, (G, k, k)."""
    return np.asarray(np.linalg.inv(matrices), dtype=np.float64)


def spread(weights: FloatArray, means: FloatArray, variances: FloatArray) -> float:
    """Standard deviation of a mixture."""
    about = means - weights @ means
    return float(np.sqrt(weights @ (variances + about**2)))
