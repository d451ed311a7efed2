"""Where the members of the belief have the plateau of a pass count."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from autocell.belief.model import BenchModel, IntArray
from autocell.belief.unknowns import FloatArray
from autocell.optics.plateau import plateau_edges
from autocell.scan import Scan

_STEP_M, _LEAST_POINTS = 5e-5, 97
"""Distance of two spacings, and least number of places, in one look; between two of them an edge
is interpolated."""

_Number = TypeVar("_Number", np.float64, np.int64)

_COARSE = 4
"""So much further apart are the places that are asked for all of a look; those between two of them
only where a bench has an edge there."""


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
    """Places of the two edges on a scan for M benches, each (M,); NaN where a bench has none."""

    low_at: FloatArray
    high_at: FloatArray

    @property
    def share(self) -> float:
        """Share of the benches that have both edges within the scan."""
        return float(np.mean(np.isfinite(self.low_at) & np.isfinite(self.high_at)))

    @property
    def low(self) -> Spread:
        """The low edge."""
        return Spread.of(self.low_at)

    @property
    def high(self) -> Spread:
        """The high edge."""
        return Spread.of(self.high_at)

    @property
    def centre(self) -> Spread:
        """The middle between the edges."""
        return Spread.of(0.5 * (self.low_at + self.high_at))


def find_plateau(
    model: BenchModel, z: FloatArray, scan: Scan, passes: int, *, near: float, reach: float
) -> Plateau:
    """The plateau of ``passes`` nearest to the place ``near`` of a scan, within ``reach`` of it.

    ``z`` is (M, D). The scan may go where the bench may not: the edge may lie there.
    """
    step = _STEP_M if scan.axis.name == "spacing" else np.inf
    places = near + np.linspace(-reach, reach, max(2 * math.ceil(reach / step) + 1, _LEAST_POINTS))
    asked = np.arange(len(places)) % _COARSE == 0
    asked[-1] = True
    seen = _Seen.at(model, z, scan, places[asked])
    edges = np.concatenate(seen.edges(passes, near))
    # number of the place asked for below each place, and below each edge
    below = np.cumsum(asked) - 1
    with_edge = np.searchsorted(seen.places, edges[np.isfinite(edges)]) - 1
    between = ~asked & np.isin(below, with_edge)
    if between.any():
        seen = seen.along_with(_Seen.at(model, z, scan, places[between]))
    return Plateau(*seen.edges(passes, near))


@dataclass(frozen=True)
class _Seen:
    """What M benches show at S places of a scan: light, passes, light of these passes, (M, S)."""

    places: FloatArray
    light_w: FloatArray
    passes: IntArray
    strongest_w: FloatArray

    @classmethod
    def at(cls, model: BenchModel, z: FloatArray, scan: Scan, places: FloatArray) -> _Seen:
        seen = model.predict(z, scan.beyond(places))
        return cls(places, seen.light_w, seen.passes, seen.strongest_w)

    def along_with(self, other: _Seen) -> _Seen:
        """Both in the order of their places."""
        places = np.concatenate([self.places, other.places])
        order = np.argsort(places)

        def merged(one: NDArray[_Number], more: NDArray[_Number]) -> NDArray[_Number]:
            return np.concatenate([one, more], axis=1)[:, order]

        return _Seen(
            places[order],
            merged(self.light_w, other.light_w),
            merged(self.passes, other.passes),
            merged(self.strongest_w, other.strongest_w),
        )

    def edges(self, passes: int, near: float) -> tuple[FloatArray, FloatArray]:
        """Low and high edge of the plateau nearest to a place, each (M,)."""
        return plateau_edges(self.places, self.light_w, self.passes, self.strongest_w, passes, near)
