"""A setting: the mirror spacing and the input beam at the entrance hole.

A setting is *nominal*: what the bench file's numbers make of the axis positions. The true
spacing and beam differ by what the belief is about.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

COORDINATES = ("spacing_m", "x_m", "y_m", "slope_x", "slope_y")


@dataclass(frozen=True)
class Setting:
    """Spacing (m), beam position at the entrance hole (m), beam slope just inside it."""

    spacing_m: float
    x_m: float
    y_m: float
    slope_x: float
    slope_y: float

    def at_spacing(self, spacing_m: float) -> Setting:
        """The same input beam at another spacing."""
        return replace(self, spacing_m=spacing_m)

    def as_array(self) -> NDArray[np.float64]:
        """The five numbers in the order of :data:`COORDINATES`."""
        return np.array([self.spacing_m, self.x_m, self.y_m, self.slope_x, self.slope_y])

    @classmethod
    def from_array(cls, values: NDArray[np.float64]) -> Setting:
        """Inverse of :meth:`as_array`."""
        return cls(*(float(value) for value in values))


def coordinates_of(settings: Sequence[Setting]) -> NDArray[np.float64]:
    """The five numbers of each of S settings, (S, 5), in the order of :data:`COORDINATES`."""
    rows = [(s.spacing_m, s.x_m, s.y_m, s.slope_x, s.slope_y) for s in settings]
    return np.array(rows, dtype=float).reshape(-1, len(COORDINATES))
