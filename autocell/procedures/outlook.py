"""What a change of the pass count would probably cost, and how surely it lands where it should.

Model benches are drawn from the tolerances of the bench file. Each of them in turn plays the
real one, and the approach is rehearsed on it in miniature: a grid of spacings, exact powers, the
reading that divides the remaining benches most. Nothing is opened or moved.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocell.belief.model import BenchModel
from autocell.belief.unknowns import FloatArray
from autocell.description import BenchDescription, Caps
from autocell.patterns import Pattern, spacing_reach
from autocell.procedures.change import how_far_off
from autocell.setting import Setting

_BENCHES = 600
_PLAYED = 80
"""So many of the benches are rehearsed on."""

_POINTS = 121
_NOISE = 0.01
"""Standard deviation of a miniature reading, of the largest power: a few hundred benches are far
apart in what they show, and a sharper reading would leave none of them."""

_LIKELY = 0.9
_MOST_READINGS = 30
SECONDS_PER_READING = 1.2
"""Settling, averaging and deciding on the next; measured over real lines on the shipped bench."""


@dataclass(frozen=True)
class Outlook:
    """What to expect of a change, from the bench file alone.

    ``lands_there`` is the probability that the nominal setting already has the wanted pass count.
    ``spacing_range_m`` holds all spacings at which a rehearsal read on its way. ``readings``,
    ``travel_m`` (of the spacing axis) and ``time_s`` are median and 95th percentile.
    """

    lands_there: float
    spacing_range_m: tuple[float, float]
    readings: tuple[float, float]
    travel_m: tuple[float, float]
    time_s: tuple[float, float]
    caps: Caps

    def as_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {
            "lands_there_probability": self.lands_there,
            "spacing_range_m": list(self.spacing_range_m),
            "readings_median": self.readings[0],
            "readings_p95": self.readings[1],
            "travel_median_m": self.travel_m[0],
            "travel_p95_m": self.travel_m[1],
            "time_median_s": self.time_s[0],
            "time_p95_s": self.time_s[1],
        }


def look_ahead(
    description: BenchDescription, pattern: Pattern, start: Setting, *, seed: int = 0
) -> Outlook:
    """The outlook on a change from ``start`` to ``pattern``."""
    rng = np.random.default_rng(seed)
    model = BenchModel(description)
    z = model.prior.draw(_BENCHES, rng)
    ground = _Ground.of(model, z, pattern, how_far_off(description, pattern))
    ways = [ground.rehearse(played, start.spacing_m) for played in range(_PLAYED)]
    readings = np.array([len(way) for way in ways]) + 1  # and the dark level
    travel_m = np.array([float(np.abs(np.diff([start.spacing_m, *way])).sum()) for way in ways])
    time_s = travel_m / description.axes["spacing"].speed + SECONDS_PER_READING * readings
    visited = [spacing for way in ways for spacing in way if spacing != start.spacing_m]
    at_nominal = model.predict(z, [pattern.setting]).passes[:, 0]
    return Outlook(
        float(np.mean(at_nominal == pattern.passes)),
        (min(visited), max(visited)),
        _typical(readings),
        _typical(travel_m),
        _typical(time_s),
        description.caps,
    )


@dataclass(frozen=True)
class _Ground:
    """Where the rehearsals take place: S spacings within the reach of the stage, and for M benches
    the throughput there and whether it has the wanted pass count, (M, S)."""

    pattern: Pattern
    reach_m: tuple[float, float]
    spacing_m: FloatArray
    throughput: FloatArray
    wanted: NDArray[np.bool_]

    @classmethod
    def of(cls, model: BenchModel, z: FloatArray, pattern: Pattern, around_m: float) -> _Ground:
        low_m, high_m = spacing_reach(model.bench)
        nominal_m = pattern.setting.spacing_m
        spacing_m = np.linspace(
            max(low_m, nominal_m - around_m), min(high_m, nominal_m + around_m), _POINTS
        )
        seen = model.predict(z, [pattern.setting.at_spacing(float(d)) for d in spacing_m])
        # the readings at the start tell the gain
        throughput = seen.power_w / model.gain_w(z)[:, None]
        return cls(pattern, (low_m, high_m), spacing_m, throughput, seen.passes == pattern.passes)

    def rehearse(self, played: int, start_m: float) -> list[float]:
        """The spacings at which a change would read when bench ``played`` is the real one: at
        the start, on the approach, at both edges, and in the middle."""
        way = [start_m]
        noise = _NOISE * float(self.throughput.max())
        surprise = np.zeros(len(self.throughput))
        surprise[played] = np.inf  # it must be found by its likeness to others
        for _ in range(_MOST_READINGS):
            weight = np.exp(-0.5 * (surprise - surprise.min()))
            weight /= weight.sum()
            share = weight @ self.wanted
            likely = bool(share.max() >= _LIKELY)
            index = int(np.argmax(share)) if likely else self._divided(weight)
            way.append(float(self.spacing_m[index]))
            if likely:
                break
            apart = self.throughput[:, index] - self.throughput[played, index]
            surprise = surprise + (apart / noise) ** 2
        middle_m, half_m = way[-1], 0.5 * self.pattern.plateau_width_m
        low_m, high_m = self.reach_m
        edges = [max(middle_m - half_m, low_m), min(middle_m + half_m, high_m)]
        return [*way, *edges, middle_m]

    def _divided(self, weight: FloatArray) -> int:
        """Where the benches that are left disagree most about the power."""
        mean = weight @ self.throughput
        return int(np.argmax(weight @ (self.throughput - mean) ** 2))


def _typical(values: FloatArray | NDArray[np.int64]) -> tuple[float, float]:
    """Median and 95th percentile."""
    median, most = np.quantile(values, [0.5, 0.95])
    return float(median), float(most)
