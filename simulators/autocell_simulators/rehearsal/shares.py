"""Shares of a campaign, with exact bounds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from scipy.stats import binomtest

CONFIDENCE = 0.95


@dataclass(frozen=True)
class Share:
    """``count`` ``of`` so many, with two-sided 95 % bounds on the share behind it.

    Clopper and Pearson, Biometrika 26, 404 (1934): exact for a binomial count.
    """

    count: int
    of: int
    low95: float
    high95: float

    @property
    def share(self) -> float:
        """The observed one."""
        return self.count / self.of

    def as_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {"share": self.share, **vars(self)}


def share(count: int, of: int) -> Share:
    """The share with its bounds. Raises ValueError for a share of nothing."""
    bounds = binomtest(count, of).proportion_ci(CONFIDENCE, method="exact")
    return Share(count, of, float(bounds.low), float(bounds.high))


def upper_bound(count: int, of: int) -> float:
    """One-sided 95 % upper confidence bound on a probability (Clopper–Pearson)."""
    bounds = binomtest(count, of, alternative="less").proportion_ci(CONFIDENCE, method="exact")
    return float(bounds.high)
