"""What an earlier proved run learned of the bench, as far as it may still be believed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_WIDENING = 3.0
"""By how much what was learned is widened: it was learned at another setting, through a model
that is not exact, and some of what that model leaves out has gone into the numbers."""


@dataclass(frozen=True)
class Memory:
    """Mean (D,) and covariance (D, D) of the standardised unknowns, as a Student's t density.

    Its tails are heavy, so that a bench that was worked on meanwhile is met with surprise and not
    with certainty.
    """

    mean: FloatArray
    covariance: FloatArray

    _DEGREES = 4.0

    @classmethod
    def of(cls, z: FloatArray, drift: FloatArray) -> Memory:
        """From the members (M, D) of a belief; ``drift`` (D,) is what may have changed since.

        Nothing is remembered better than a hundredth of its tolerance.
        """
        spread = np.cov(z, rowvar=False) * _WIDENING**2
        floor = np.diag(drift**2 + 1e-4)
        return cls(np.mean(z, axis=0), np.asarray(spread + floor))

    @property
    def precision(self) -> FloatArray:
        """Inverse (D, D) of the covariance."""
        return np.asarray(np.linalg.inv(self.covariance))

    def draw(self, count: int, rng: np.random.Generator) -> FloatArray:
        """``count`` benches (count, D)."""
        size = len(self.mean)
        stretch = np.sqrt(self._DEGREES / rng.chisquare(self._DEGREES, count))
        normal = rng.normal(size=(count, size)) @ np.linalg.cholesky(self.covariance).T
        return np.asarray(self.mean + stretch[:, None] * normal)

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log density of benches (..., D), zero at its peak."""
        off = z - self.mean
        distance = np.einsum("...d,de,...e->...", off, self.precision, off)
        order = 0.5 * (self._DEGREES + len(self.mean))
        return np.asarray(-order * np.log1p(distance / self._DEGREES))
