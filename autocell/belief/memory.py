"""What an earlier proved run learned of the bench, as far as it may still be believed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from autocell.belief.rows import times
from autocell.description import BenchDescription
from autocell.outcome import Learned

FloatArray = NDArray[np.float64]

_WIDENING = 3.0
"""By how much what was learned is widened: it was learned at another setting, through a model
that is not exact, and some of what that model leaves out has gone into the numbers."""

_DEGREES = 4.0
"""Of Student's t: a bench that was worked on meanwhile is met with surprise, not with certainty."""

_OTHER_DRIFTS = {
    "entrance_tilt_x_rad": 2e-5,
    "entrance_tilt_y_rad": 2e-5,
    "far_tilt_x_rad": 2e-5,
    "far_tilt_y_rad": 2e-5,
    "reflectivity": 3e-5,
    "log_gain": 0.05,
}
"""What a night may do to what no axis moves, SI; common practice, no source: mounts of 20 µrad/K
and a swing of 1 K, a film of 0.1 % a month, a laser of 5 %."""


@dataclass(frozen=True)
class Memory:
    """Mean (D,) and covariance (D, D) of the standardised unknowns, as a Student's t density."""

    mean: FloatArray
    covariance: FloatArray

    @classmethod
    def recalled(
        cls,
        learned: Learned,
        bench: BenchDescription,
        names: Sequence[str],
        centre: FloatArray,
        tolerance: FloatArray,
        nights: float,
    ) -> Memory:
        """What is left after so many nights of what was learned of the same bench file.

        ``names``, ``centre`` and ``tolerance`` (D,) are those of the prior. What was not unknown
        then is as open as the bench file leaves it.
        """
        place = {name: k for k, name in enumerate(learned.names)}
        kept = [k for k, name in enumerate(names) if name in place]
        there = [place[names[k]] for k in kept]
        mean = np.zeros(len(names))
        mean[kept] = (np.array(learned.mean)[there] - centre[kept]) / tolerance[kept]
        covariance = np.eye(len(names))
        scale = np.outer(tolerance[kept], tolerance[kept])
        found = np.array(learned.covariance)[np.ix_(there, there)] / scale
        covariance[np.ix_(kept, kept)] = _WIDENING**2 * found
        drift = nights * np.array([_drift(bench, name) for name in names]) / tolerance
        # nothing is remembered better than a hundredth of its tolerance
        return cls(mean, covariance + np.diag(drift**2 + 1e-4))

    @cached_property
    def precision(self) -> FloatArray:
        """Inverse (D, D) of the covariance."""
        return np.asarray(np.linalg.inv(self.covariance))

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log density of benches (..., D), zero at its peak."""
        off = z - self.mean
        product = times(off.reshape(-1, len(self.mean)), self.precision)
        distance = np.sum(product.reshape(off.shape) * off, axis=-1)
        order = 0.5 * (_DEGREES + len(self.mean))
        return np.asarray(-order * np.log1p(distance / _DEGREES))


def _drift(bench: BenchDescription, name: str) -> float:
    """What one night may do to an unknown, SI: the drifts of the axes that act like it."""
    coordinates = ("spacing_offset_m", "x_m", "y_m", "slope_x", "slope_y")
    if name in coordinates:
        column = coordinates.index(name)
        return sum(abs(axis.effect[column]) * axis.overnight_drift for axis in bench.axes.values())
    return _OTHER_DRIFTS.get(name, 0.0)
