"""How often trends over nights are found, invented, and forecast rightly, on series drawn at will.

    python benchmarks/measure_trends.py [series of each kind]

Values are read with a standard uncertainty of one; a bench walks, or scatters beyond it, as the
first columns say. The limit to be forecast lies half as far again as the line has come.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from scipy.stats import linregress

from autocell.trends.forecast import forecast, trend
from autocell.trends.line import SURE


@dataclass(frozen=True)
class Kind:
    """Series of so many nights: change, walk and scatter a night, in uncertainties of a reading."""

    nights: int
    slope: float
    walk: float
    scatter: float


KINDS = [
    *(Kind(n, 0.0, walk, scatter) for n in (10, 30)
      for walk, scatter in ((0.0, 0.0), (0.0, 3.0), (0.5, 0.0), (3.0, 0.0))),
    *(Kind(30, slope, walk, 0.0) for slope, walk in ((0.3, 0.0), (0.5, 0.3), (2.0, 0.5))),
]  # fmt: skip


def main(series: int) -> None:
    """One line for each kind."""
    print("nights  slope  walk  scatter | found  by regression | limit foretold  inside 95 %")
    rng = np.random.default_rng(30)
    for kind in KINDS:
        n = kind.nights
        found = regression = foretold = inside = 0
        for _ in range(series):
            steps = kind.slope + kind.walk * rng.standard_normal(4 * n)
            latent = np.concatenate([[0.0], np.cumsum(steps)])
            noise = np.hypot(1.0, kind.scatter) * rng.standard_normal(n)
            values = latent[:n] + noise
            seen = trend(np.arange(n), values, np.ones(n))
            found += seen.found
            regression += linregress(np.arange(n), values).pvalue < 2.0 * (1.0 - SURE)
            limit = 1.5 * kind.slope * n
            ahead = forecast(seen, limit, above=True) if kind.slope else None
            if ahead is None:
                continue
            foretold += 1
            passed = np.inf if latent.max() <= limit else np.argmax(latent > limit) - (n - 1.0)
            latest = np.inf if ahead.latest is None else ahead.latest
            inside += ahead.earliest - 1.0 < passed < latest + 1.0
        told = f"{foretold / series:14.2f}  {inside / foretold:11.2f}" if foretold else ""
        print(
            f"{n:6}  {kind.slope:5g}  {kind.walk:4g}  {kind.scatter:7g} | {found / series:5.3f}"
            f"  {regression / series:13.3f} | {told}",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
