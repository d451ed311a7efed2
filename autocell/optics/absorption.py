"""What a pattern is worth as an absorption cell: throughput, best pass count, fringes."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from autocell.optics.cell import FloatArray

SPEED_OF_LIGHT_M_PER_S = 299_792_458.0
"""Exact by the definition of the metre, SI brochure, 9th edition (2019)."""

Noise = Literal["detector", "shot"]


def clean_throughput(reflectivity: ArrayLike, passes: ArrayLike) -> FloatArray:
    """R^(N−1): N passes make N − 1 reflections. The rest is lost to nothing but the mirrors."""
    return np.asarray(np.asarray(reflectivity, dtype=float) ** (np.asarray(passes) - 1.0))


def best_passes(reflectivity: ArrayLike, limited_by: Noise = "detector") -> FloatArray:
    """The pass count with the best signal-to-noise ratio of a weak absorption line.

    The signal goes as N R^(N−1). Detector noise does not depend on the light: N = −1/ln R, close to
    1/(1 − R), where the throughput is e⁻¹/R. Shot noise goes as the root of the light that
    arrives: N = −2/ln R. Derived here. A continuous optimum; round it to a pattern.
    """
    best = -1.0 / np.log(np.asarray(reflectivity, dtype=float))
    return np.asarray(best if limited_by == "detector" else 2.0 * best)


def fringe_period_hz(passes_early: ArrayLike, spacing_m: ArrayLike) -> FloatArray:
    """Optical frequency period of the fringe made by a leak that left p passes before the rest.

    c/ΔL with ΔL = p d, in vacuum. Derived here.
    """
    p = np.asarray(passes_early, dtype=float)
    return np.asarray(SPEED_OF_LIGHT_M_PER_S / (p * np.asarray(spacing_m, dtype=float)))
