"""A delay meter as a device: modulated light and time in, phases out, no wire.

It modulates the laser itself and tells by how much the light on its detector lags behind, as
lock-in amplifiers do. A reading is the mean over its averaging window, sampled at the start, the
middle and the end (Simpson's weights), so that an axis which moves meanwhile smears it.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

import numpy as np

from autocell.description import BenchDescription, DelayMeterDescription
from autocell_simulators.seeds import stream

_WEIGHTS = (1.0 / 6.0, 4.0 / 6.0, 1.0 / 6.0)


@dataclass(frozen=True)
class DelayTraits:
    """What the meter is made of. Noise is that of a reading of ``noise_window_s``.

    [trade] Times, frequencies and the least light are common practice, no source.
    """

    noise_rad: float
    noise_window_s: float
    offset_rad: float
    """What it shows for no path at all: cables, and whatever else nobody has measured."""
    level_rad: float
    """By how much the phase grows with each factor e of light."""
    bright_w: float
    """Light at which that vanishes."""
    least_w: float = 1e-6
    """Modulation below this is too weak to measure."""
    sample_s: float = 1e-3
    averages: int = 100
    latency_s: float = 0.002
    frequencies_hz: tuple[float, float] = (1e6, 1e9)
    default_frequency_hz: float = 10e6
    most_averages: int = 10000

    @classmethod
    def of(
        cls, description: BenchDescription, meter: DelayMeterDescription, seed: int
    ) -> DelayTraits:
        """The meter of a bench file, with an offset and a dependence on the level from a seed."""
        level = stream(seed, "delay meter: level").uniform(-1.0, 1.0)
        return cls(
            noise_rad=meter.noise_rad,
            noise_window_s=meter.averaging_s,
            offset_rad=float(stream(seed, "delay meter: offset").uniform(-math.pi, math.pi)),
            level_rad=meter.systematic_rad * float(level),
            bright_w=description.lossless_reading_w,
        )


class SimulatedDelayMeter:
    """One channel. Give it light whenever ``next_sample_s`` has come."""

    __slots__ = (
        "_random",
        "_samples",
        "_schedule_s",
        "averages",
        "frequency_hz",
        "last_rad",
        "readings",
        "traits",
    )

    def __init__(self, traits: DelayTraits, random: np.random.Generator) -> None:
        self.traits = traits
        self._random = random
        self.readings = 0
        self.last_rad: float | None = None
        """Last lag, NaN when there was too little light; None while there is none."""
        self._schedule_s: list[float] = []
        self._samples: list[complex] = []
        self.reset()

    def reset(self) -> None:
        """Settings as after power-on; a reading under way is given up."""
        self.abort()
        self.last_rad = None
        self.frequency_hz = self.traits.default_frequency_hz
        self.averages = self.traits.averages

    @property
    def next_sample_s(self) -> float | None:
        """When light is sampled next; None when nothing is being measured."""
        return self._schedule_s[0] if self._schedule_s else None

    @property
    def done_s(self) -> float | None:
        """When the reading under way will end; None when there is none."""
        return self._schedule_s[-1] if self._schedule_s else None

    def begin(self, time_s: float) -> None:
        """Start a fresh reading; one under way is given up."""
        start_s, window_s = time_s + self.traits.latency_s, self._window_s()
        self._samples = []
        self._schedule_s = [start_s, start_s + 0.5 * window_s, start_s + window_s]

    def abort(self) -> None:
        """Give up what is being measured."""
        self._schedule_s = []
        self._samples = []

    def take(self, light_w: complex) -> None:
        """Sample the modulation of the light: its amplitude (W), and its lag as the argument."""
        self._schedule_s.pop(0)
        self._samples.append(light_w)
        if not self._schedule_s:
            self._finish()

    def _window_s(self) -> float:
        return self.averages * self.traits.sample_s

    def _finish(self) -> None:
        traits = self.traits
        mean_w = sum(
            weight * sample for weight, sample in zip(_WEIGHTS, self._samples, strict=True)
        )
        noise_rad = traits.noise_rad * math.sqrt(traits.noise_window_s / self._window_s())
        noise_rad *= float(self._random.standard_normal())
        self.readings += 1
        if abs(mean_w) < traits.least_w:
            self.last_rad = math.nan
            return
        of_level_rad = traits.level_rad * math.log(abs(mean_w) / traits.bright_w)
        self.last_rad = cmath.phase(mean_w) + traits.offset_rad + of_level_rad + noise_rad
