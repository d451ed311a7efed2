"""What an optimiser is asked to make small, from nothing but powers."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from autocell_simulators.truth import Truth

from autocell.description import BenchDescription
from benchmarks.optimisers.power_bench import FloatArray, PowerBench
from benchmarks.optimisers.starts import Box

START_PASSES = 6

Score = Callable[[float], float]
"""From a power, as a share of that of the reference setting, to what is made small."""


def power() -> Score:
    """As much power as possible."""
    return lambda share: -share


def log_power(dark: float) -> Score:
    """As much power as possible, decade by decade down to what the meter can tell from none."""
    return lambda share: -math.log(max(share, dark))


def known_height(description: BenchDescription, passes: int) -> Score:
    """Distance from the height that the bench file gives the plateau: R^(N−1) of what enters.

    The reference has made six passes, so that R^(N−6) of it is left.
    """
    return _distance_from(description.mean_reflectivity ** (passes - START_PASSES))


def true_height(truth: Truth, passes: int) -> Score:
    """The same with the reflectivities that this very bench has, which nobody could know."""
    both = truth.entrance_reflectivity * truth.far_reflectivity
    return _distance_from(both ** ((passes - START_PASSES) // 2))


def _distance_from(height: float) -> Score:
    return lambda share: abs(share - height)


@dataclass(frozen=True)
class Seen:
    """One reading: where, in unit coordinates, and what it scored."""

    unit: FloatArray
    score: float


class Objective:
    """A function of unit coordinates, for any optimiser; it remembers what was read."""

    def __init__(self, bench: PowerBench, box: Box, score: Score, reference_w: float) -> None:
        self._bench = bench
        self._box = box
        self._score = score
        self._reference_w = reference_w
        self.seen: list[Seen] = []

    def __call__(self, unit: FloatArray) -> float:
        """Score of a new reading. Raises SpentError when none is left."""
        unit = np.clip(np.asarray(unit, dtype=float).ravel(), 0.0, 1.0)
        share = self._bench.read(self._box.positions(unit)) / self._reference_w
        score = self._score(share)
        self.seen.append(Seen(unit, score))
        return score

    @property
    def left(self) -> int:
        """How many readings may still be taken."""
        return self._bench.readings_left

    def best(self) -> FloatArray:
        """Where the best reading was taken."""
        return min(self.seen, key=lambda seen: seen.score).unit
