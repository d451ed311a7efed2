"""The trend of one quantity, and the night on which it runs out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from autocell.trends.jumps import Jump, find_jump, off_nights
from autocell.trends.line import FloatArray, Line, fit

LEAST_NIGHTS = 7
"""Through fewer nights no line is drawn. [trade]"""

_AHEAD = 3.0
"""A line is followed for so many times the nights that it was seen for, and no further. [trade]"""

_TAIL = 0.025
_STEP = 0.25


@dataclass(frozen=True)
class Trend:
    """What the values of n nights come to.

    ``line`` is through those in ``used``, which are after the last ``jump`` and not ``off``; None
    when fewer than :data:`LEAST_NIGHTS` are left. Indices count the nights given.
    """

    nights: FloatArray
    values: FloatArray
    u: FloatArray
    used: tuple[int, ...]
    off: tuple[int, ...]
    jump: Jump | None
    line: Line | None

    @property
    def found(self) -> bool:
        """Whether there is a trend."""
        return self.line is not None and self.line.is_trend

    @property
    def change(self) -> tuple[float, float] | None:
        """Change along the line over its nights, with its standard uncertainty; None without a
        trend."""
        if self.line is None or not self.found:
            return None
        return self.line.slope * self.line.span, self.line.slope_u * self.line.span


@dataclass(frozen=True)
class Forecast:
    """In how many nights from the last reading a limit is passed with probability one half, and
    the nights between which that happens with 95 % probability. ``latest`` is None when the line
    may also stay on this side of the limit for longer than it is followed, ``middle`` likewise.
    """

    limit: float
    earliest: float
    middle: float | None
    latest: float | None
    followed: float
    """Nights for which the line was followed."""


def trend(nights: ArrayLike, values: ArrayLike, u: ArrayLike) -> Trend:
    """The trend of ``values`` (n,) with standard uncertainties ``u`` (n,) at ``nights`` (n,), which
    rise.

    Single nights that are off are set aside, then the nights before a jump. Raises ValueError for
    nights that do not rise or u ≤ 0.
    """
    t, y, sigma = (np.asarray(each, dtype=np.float64) for each in (nights, values, u))
    off = off_nights(t, y, sigma)
    used = np.array([k for k in range(len(t)) if k not in off], dtype=np.intp)
    last: Jump | None = None
    while (jump := find_jump(t[used], y[used], sigma[used])) is not None:
        last = Jump(int(used[jump.first]), jump.size, jump.u)
        used = used[jump.first :]
    line = fit(t[used], y[used], sigma[used]) if len(used) >= LEAST_NIGHTS else None
    return Trend(t, y, sigma, tuple(map(int, used)), tuple(off), last, line)


def forecast(of: Trend, limit: float, *, above: bool) -> Forecast | None:
    """When the quantity will have passed ``limit``, upwards or downwards.

    None without a trend, with one that leads away, or when that is not to be expected within three
    times the nights that the line was seen for.
    """
    line = of.line
    if line is None or not of.found or (line.slope > 0.0) is not above:
        return None
    last, followed = float(of.nights[-1]), _AHEAD * line.span
    ahead = np.arange(0.0, followed + _STEP, _STEP)
    passed = np.maximum.accumulate(line.beyond(last + ahead, limit, above=above))
    earliest, middle, latest = (_first(ahead, passed, p) for p in (_TAIL, 0.5, 1.0 - _TAIL))
    return None if earliest is None else Forecast(limit, earliest, middle, latest, followed)


def _first(ahead: FloatArray, passed: FloatArray, probability: float) -> float | None:
    if passed[-1] < probability:
        return None
    if passed[0] >= probability:
        return 0.0
    k = int(np.argmax(passed >= probability))
    share = (probability - passed[k - 1]) / (passed[k] - passed[k - 1])
    return float(ahead[k - 1] + share * (ahead[k] - ahead[k - 1]))
