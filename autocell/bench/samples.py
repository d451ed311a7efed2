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
_STALE_DIGITS, _DIGITS = 5, 6
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


def repeats(
    value: float, before: float | None, fine_from: float = math.inf, noise: float = math.inf
) -> bool:
    """Whether this is an earlier measurement again: no fresh one repeats that many digits.

    A value that ends in zeros has them all where the instrument :func:`is_fine`, from
    ``fine_from`` on. One whose ``noise`` does not reach the last of them may repeat itself, and so
    may zero, which is all that some instruments show of the dark.
    """
    if value != before or value == 0.0:
        return False
    shown = max(_digits(value), _STALE_DIGITS if abs(value) >= fine_from else 0)
    last_digit = 10.0 ** (math.floor(math.log10(abs(value))) + 1 - shown)
    return shown >= _STALE_DIGITS and noise >= last_digit


def is_fine(value: float) -> bool:
    """Whether an instrument shows enough digits of this value for no two measurements to agree in
    all of them. Of a larger value it shows as many at least, be their number fixed or that of
    the decimals; of a smaller one perhaps not."""
    return _digits(value) >= _STALE_DIGITS


def _digits(value: float) -> int:
    """Decimal digits of a value, without zeros at its ends; of more than six, six.

    Beyond those stands what a conversion of units or to single precision has left.
    """
    return len(Decimal(f"{value:.{_DIGITS}g}").normalize().as_tuple().digits)


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
