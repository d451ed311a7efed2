"""From single answers of a delay meter to a phase with its uncertainty.

Phases have no ends: means, deviations and outliers are taken around the circle.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocell.bench.protocols import Clock, DelayMeter
from autocell.bench.samples import (
    BAD_IN_A_ROW,
    OUTLIER_SHARE,
    RETRY_S,
    mean_and_scatter,
    near,
    repeats,
)
from autocell.description import DelayMeterDescription
from autocell.errors import ReadingError

_SAMPLES = 9


@dataclass(frozen=True)
class Phase:
    """A mean of samples around the circle with its standard uncertainty, rad."""

    phase_rad: float
    uncertainty_rad: float
    samples: int


def wrapped(angle_rad: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """The same angle within half a turn of zero: [−π, π)."""
    return np.asarray((np.asarray(angle_rad) + np.pi) % (2.0 * np.pi) - np.pi)


class Phasing:
    """Reads one delay meter. ``check`` is called before each sample; it raises when no reading
    may be taken. ``tell`` is told, in words, what was thrown away and why."""

    def __init__(
        self,
        description: DelayMeterDescription,
        meter: DelayMeter,
        clock: Clock,
        check: Callable[[], None],
        tell: Callable[[str], None],
    ) -> None:
        self._description = description
        self._meter = meter
        self._clock = clock
        self._check = check
        self._tell = tell
        self._last_rad: float | None = None

    def read(self) -> Phase:
        """The mean of a few fresh samples.

        Its uncertainty is the larger of what the samples show and what the bench file expects.
        Raises ReadingError when the meter answers no number, repeats itself or contradicts
        itself; DeviceError when it fails.
        """
        samples = np.array([self._fresh_sample() for _ in range(_SAMPLES)])
        # the sample nearest to all others; a mean could be drawn away by one far off
        distances = np.abs(wrapped(samples[:, None] - samples[None, :])).sum(axis=0)
        middle = samples[distances.argmin()]
        around = wrapped(samples - middle).tolist()
        expected = self._description.noise_rad
        kept = near(around, 0.0, expected)
        rejected = samples.size - len(kept)
        if rejected > OUTLIER_SHARE * samples.size:
            raise ReadingError(
                f"{self._meter.name}: {rejected} of {samples.size} phases disagree with the rest; "
                "is the modulation on, and is there light on its detector?"
            )
        if rejected:
            self._tell(f"{rejected} of {samples.size} phases were outliers and left out")
        mean, scatter = mean_and_scatter(kept)
        uncertainty = max(scatter, expected) / math.sqrt(len(kept))
        return Phase(float(wrapped(middle + mean)), uncertainty, len(kept))

    def _fresh_sample(self) -> float:
        """One phase that may be used. Raises ReadingError after too many that may not."""
        bad: list[str] = []
        while len(bad) < BAD_IN_A_ROW:
            self._check()
            phase_rad = self._meter.read()
            if not math.isfinite(phase_rad):
                bad.append("not a number")
            elif repeats(phase_rad, self._last_rad):
                bad.append("stale")
            else:
                self._last_rad = phase_rad
                if bad:
                    self._tell(f"phases thrown away: {', '.join(bad)}")
                return phase_rad
            self._clock.sleep(max(self._meter.reading_time_s, RETRY_S))
        raise ReadingError(_cure(self._meter.name, bad))


def _cure(name: str, bad: list[str]) -> str:
    if bad.count("stale") > len(bad) / 2:
        return (
            f"{name} answered the same phase {len(bad)} times; is it on hold, or its averaging "
            "longer than delay_meter.averaging_ms?"
        )
    return (
        f"{name} answered no phase {len(bad)} times in a row; is the modulation on, and is there "
        "light on its detector?"
    )
