"""What a person does without an optimiser: drive to where the bench file has the pattern."""

from __future__ import annotations

import numpy as np

from benchmarks.optimisers.objectives import Objective
from benchmarks.optimisers.optimisers import NOISE
from benchmarks.optimisers.power_bench import FloatArray

STEP = 0.02
"""Of the box: 0.12 mm of spacing, 0.08 mrad, 0.012 mm on the shipped bench."""


def drive_to_nominal(
    objective: Objective, start: FloatArray, random: np.random.Generator
) -> FloatArray:
    """Drive there and read once."""
    objective(start)
    return start


def nominal_then_peak(
    objective: Objective, start: FloatArray, random: np.random.Generator
) -> FloatArray:
    """From there uphill, axis by axis, as long as a step gains more than twice the noise."""
    at, score = start, objective(start)
    improved = True
    while improved:
        improved = False
        for axis in range(len(start)):
            for sign in (1.0, -1.0):
                step = np.zeros_like(start)
                step[axis] = sign * STEP
                while (tried := objective(at + step)) < score - 2.0 * NOISE:
                    at, score, improved = np.clip(at + step, 0.0, 1.0), tried, True
    return at
