"""Settings along one axis: what a procedure looks at when it looks for an edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocell.description import AxisDescription, BenchDescription
from autocell.setting import Setting

_BESIDE = 2e-5
"""m or rad: a setting that is further off lies on no scan."""


@dataclass(frozen=True)
class Scan:
    """The settings that ``axis`` gives when everything else stays as it is at ``through``.

    A place on it is where the axis stands, m or rad; that of the spacing axis is the nominal
    spacing itself. ``low`` and ``high`` are the places that may be asked for.
    """

    through: Setting
    axis: AxisDescription
    effect: NDArray[np.float64]
    here: float
    low: float
    high: float

    @classmethod
    def along(cls, bench: BenchDescription, axis: str, through: Setting) -> Scan:
        """The scan of one axis, as far as an approach from any side keeps to its limits."""
        described = bench.axes[axis]
        effect = np.array(described.effect)
        low, high = bench.reach(axis)
        if axis == "spacing":
            zero = bench.spacing_at_zero_m
            return cls(through, described, effect, through.spacing_m, zero + low, zero + high)
        return cls(through, described, effect, bench.positions(through)[axis], low, high)

    def at(self, place: float) -> Setting:
        """The setting at a place, kept within ``low`` and ``high``."""
        (setting,) = self._where(np.clip([place], self.low, self.high))
        return setting

    def between(self, low: float, high: float, count: int) -> list[Setting]:
        """Evenly spaced settings between two places, within ``low`` and ``high``."""
        places = np.linspace(max(low, self.low), min(high, self.high), count)
        return self._where(np.clip(places, self.low, self.high))

    def beyond(self, places: Sequence[float] | NDArray[np.float64]) -> list[Setting]:
        """Settings at places whether they may be asked for or not: for the model, never a bench."""
        return self._where(np.asarray(places))

    def _where(self, places: NDArray[np.float64]) -> list[Setting]:
        rows = self.through.as_array() + (places - self.here)[:, None] * self.effect
        return [Setting(*row) for row in rows.tolist()]

    def place(self, setting: Setting) -> float:
        """Where on the scan a setting is; NaN when it is off it by more than axes repeat."""
        apart = setting.as_array() - self.through.as_array()
        travel = float(apart @ self.effect / (self.effect @ self.effect))
        off = np.abs(apart - travel * self.effect)
        return self.here + travel if bool(np.all(off < _BESIDE)) else float("nan")
