"""Where the members of the belief have the plateau of a pass count."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from autocell.belief.model import BenchModel
from autocell.belief.unknowns import FloatArray
from autocell.optics.plateau import plateau_edges
from autocell.setting import Setting

_STEP_M = 5e-5


@dataclass(frozen=True)
class Spread:
    """A number that the members do not agree on: median and robust standard deviation.

    ``low`` and ``high`` hold all but one in two hundred of the members, so that a minority with
    another opinion is not forgotten.
    """

    value: float
    u: float
    low: float
    high: float

    @classmethod
    def of(cls, values: FloatArray) -> Spread:
        """Over the finite ones of ``values``; NaN when there are none."""
        known = values[np.isfinite(values)]
        if known.size == 0:
            return cls.nowhere()
        least, low, median, high, most = np.quantile(known, [0.0025, 0.1587, 0.5, 0.8413, 0.9975])
        return cls(float(median), float(0.5 * (high - low)), float(least), float(most))

    @classmethod
    def nowhere(cls) -> Spread:
        """No member has it."""
        nan = float("nan")
        return cls(nan, nan, nan, nan)

    def admits(self, found: Spread) -> bool:
        """Whether ``found`` is where this had expected it, within three standard deviations."""
        room = 3.0 * float(np.hypot(self.u, found.u))
        low, high = min(self.value - room, self.low), max(self.value + room, self.high)
        return low - 3.0 * found.u <= found.value <= high + 3.0 * found.u


@dataclass(frozen=True)
class Plateau:
    """Nominal spacing of the two edges for M benches, each (M,); NaN where a bench has none."""

    low_m: FloatArray
    high_m: FloatArray

    @property
    def share(self) -> float:
        """Share of the benches that have both edges within the scan."""
        return float(np.mean(np.isfinite(self.low_m) & np.isfinite(self.high_m)))

    @property
    def low(self) -> Spread:
        """The low edge."""
        return Spread.of(self.low_m)

    @property
    def high(self) -> Spread:
        """The high edge."""
        return Spread.of(self.high_m)

    @property
    def centre(self) -> Spread:
        """The middle between the edges."""
        return Spread.of(0.5 * (self.low_m + self.high_m))


def find_plateau(
    model: BenchModel, z: FloatArray, near: Setting, passes: int, *, reach_m: float
) -> Plateau:
    """The plateau of ``passes`` nearest to ``near``, within ``reach_m`` of it, for benches ``z``.

    ``z`` is (M, D). The input beam of ``near`` is kept; only the spacing varies.
    """
    count = 2 * int(np.ceil(reach_m / _STEP_M)) + 1
    spacing = near.spacing_m + np.linspace(-reach_m, reach_m, count)
    seen = model.predict(z, [near.at_spacing(float(value)) for value in spacing])
    return Plateau(
        *plateau_edges(spacing, seen.power_w, seen.passes, seen.strongest_w, passes, near.spacing_m)
    )
