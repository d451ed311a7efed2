"""A simulated bench of which only powers are seen: places in, readings out.

What an axis leaves when it approaches from one side, and what the meter adds, are those of the
simulated bench (measured against it in ``measure_harness.py``); only the wires and the waiting
are left out, so that hundreds of thousands of readings fit into an hour.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from autocell_simulators.optics import TrueOptics
from autocell_simulators.seeds import stream
from autocell_simulators.truth import draw_truth
from numpy.typing import NDArray

from autocell.description import BenchDescription
from autocell.procedures.tuning import READING_NOISE

READINGS = 300
"""Of one run, the reference and everything else included."""

SECONDS_PER_READING = 3.0
"""A move, its settling, and the averaging: what the slow drift of the laser sees of it."""

_SAMPLES = (3, 25)
LEAST_LIGHT = 0.01
"""Share of the arriving light below which a place is called dark."""

FloatArray = NDArray[np.float64]


class SpentError(Exception):
    """No reading is left."""


@dataclass(frozen=True)
class Judged:
    """What is true of every reading's place, and of the last place: passes, 0 in the dark."""

    along: list[int]
    end: int


class PowerBench:
    """One bench, drawn from ``seed`` like any rehearsal's, for one run called ``purpose``.

    Positions are arrays over the axes of the bench file, m or rad.
    """

    def __init__(
        self, description: BenchDescription, seed: int, purpose: str, readings: int = READINGS
    ) -> None:
        self.description = description
        self.readings_left = readings
        self._optics = TrueOptics(description, draw_truth(description, seed))
        self._random = stream(seed, purpose)
        self._names = list(description.axes)
        self._repeatability = np.array([a.repeatability for a in description.axes.values()])
        self._target = self._true = np.full(len(self._names), np.nan)
        self._places: list[FloatArray] = []

    @property
    def readings(self) -> int:
        """How many were taken."""
        return len(self._places)

    def move(self, target: FloatArray) -> FloatArray:
        """Approach a place from below; where the axes truly are then."""
        moved = target != self._target
        scatter = self._repeatability * self._random.standard_normal(len(target))
        self._true = np.where(moved, target + scatter, self._true)
        self._target = target.copy()
        return self._true

    def read(self, target: FloatArray) -> float:
        """Power at a place, W, averaged as the tool averages. Raises SpentError."""
        if self.readings_left == 0:
            raise SpentError
        self.readings_left -= 1
        true = self.move(target)
        time_s = SECONDS_PER_READING * self.readings
        self._places.append(true)
        light_w = self._optics.arriving_w(time_s) * self._optics.fraction(self._named(true))
        return light_w + self._noise_w(light_w) * float(self._random.standard_normal())

    def judge(self, end: FloatArray) -> Judged:
        """Ask the simulator, once the run is over and the bench has been driven to ``end``."""
        places = np.array([*self._places, self.move(end)]).T
        seen = self._optics.exit(dict(zip(self._names, places, strict=True)))
        passes = np.where(seen.power >= LEAST_LIGHT, seen.passes, 0)
        return Judged(passes[:-1].tolist(), int(passes[-1]))

    def _named(self, positions: FloatArray) -> dict[str, float]:
        return dict(zip(self._names, positions.tolist(), strict=True))

    def _noise_w(self, light_w: float) -> float:
        """Standard deviation of the mean of as many samples as the tool would take."""
        meter = self.description.meter
        one_w = math.hypot(meter.relative_noise * light_w, meter.noise_floor_w)
        wanted_w = max(READING_NOISE * light_w, 0.5 * meter.noise_floor_w)
        samples = np.clip(math.ceil((one_w / wanted_w) ** 2), *_SAMPLES)
        return one_w / math.sqrt(float(samples))
