"""Which of a few samples of one quantity count."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from decimal import Decimal

OUTLIER_SHARE = 0.25
"""More outliers than this are no outliers: the samples contradict each other."""
MAD_TO_SIGMA = 1.4826
"""Standard deviation over median absolute deviation for normal noise; 1/Φ⁻¹(3/4)."""
BAD_IN_A_ROW = 8
RETRY_S = 0.1
"""With eight attempts, longer than the half second for which a range change may blind a meter."""

_OUTLIER_SIGMAS = 5.0
_STALE_DIGITS = 5
_FALLS = 10.0


def near(samples: Sequence[float], middle: float, expected_sigma: float) -> list[float]:
    """The samples that are no outliers, by their distance from the middle one.

    Outliers are beyond five standard deviations, which come from the median absolute deviation
    or from what is expected, whichever is larger. (On a few samples numpy would take ten times as
    long.)
    """
    distances = [abs(sample - middle) for sample in samples]
    within = _OUTLIER_SIGMAS * max(MAD_TO_SIGMA * statistics.median(distances), expected_sigma)
    return [
        sample for sample, distance in zip(samples, distances, strict=True) if distance <= within
    ]


def mean_and_scatter(samples: Sequence[float]) -> tuple[float, float]:
    """Mean and standard deviation of samples, the latter zero for one alone."""
    count = len(samples)
    mean = math.fsum(samples) / count
    if count == 1:
        return mean, 0.0
    return mean, math.sqrt(math.fsum((sample - mean) ** 2 for sample in samples) / (count - 1))


def repeats(value: float, before: float | None) -> bool:
    """Whether this is an earlier measurement again: no fresh one repeats that many digits."""
    return value == before and _digits(value) >= _STALE_DIGITS


def _digits(value: float) -> int:
    return len(Decimal(repr(value)).normalize().as_tuple().digits)


def fall_time(
    samples: Sequence[tuple[float, float]], relative_noise: float, noise_floor_w: float
) -> float | None:
    """Time constant (s) with which light that was cut off falls, from samples (s, W) of it.

    None where they do not fall by more than noise explains. First-order lag towards nothing:
    y = y0 exp(−t/τ); a dark level makes τ longer than it is.
    """
    if len(samples) < 2:
        return None
    (first_s, first_w), (last_s, last_w) = samples[0], samples[-1]
    noise_w = math.hypot(relative_noise * first_w, noise_floor_w)
    if first_w - last_w < _FALLS * noise_w or last_w <= 0.0:
        return None
    return (last_s - first_s) / math.log(first_w / last_w)
