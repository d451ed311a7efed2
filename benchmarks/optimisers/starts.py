"""Where a run starts, and the box it may search: unit coordinates in, axis positions out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from autocell.description import BenchDescription
from autocell.patterns import choose_pattern
from autocell.procedures.change import how_far_off
from benchmarks.optimisers.power_bench import FloatArray

_TOLERANCES = 2.0
"""Half-width of the box around the nominal setting, in tolerances of the input beam."""


@dataclass(frozen=True)
class Box:
    """Lowest and highest positions, and the start between them: m or rad, over the axes."""

    name: str
    low: FloatArray
    high: FloatArray
    start: FloatArray

    @property
    def start_unit(self) -> FloatArray:
        """The start in unit coordinates: 0 to 1 over the box."""
        return (self.start - self.low) / (self.high - self.low)

    def positions(self, unit: FloatArray) -> FloatArray:
        """Axis positions; what is beyond the box is brought to its edge."""
        return self.low + np.clip(unit, 0.0, 1.0) * (self.high - self.low)


def six_passes(description: BenchDescription, passes: int) -> Box:
    """From where the bench stands, over all that its axes may reach."""
    low, high = _reach(description)
    one_focal_length_m = 0.5 * description.entrance_mirror.radius_m
    start = description.positions(description.zero.at_spacing(one_focal_length_m))
    return Box("six passes", low, high, np.array(list(start.values())))


def nominal(description: BenchDescription, passes: int) -> Box:
    """From where the bench file has the pattern, over what its tolerances allow, generously.

    Spacing: as far as the tool itself looks. Input beam: twice its tolerances.
    """
    pattern = choose_pattern(description, passes)
    centre = np.array(list(description.positions(pattern.setting).values()))
    beam = description.input_beam
    around = np.array(
        [
            how_far_off(description, pattern),
            *[_TOLERANCES * beam.position_tolerance_m] * 2,
            *[_TOLERANCES * beam.slope_tolerance] * 2,
        ]
    )
    # an axis reaches as far as its whole effect within the tolerances
    effects = np.abs(description.effects)
    half = np.min(np.where(effects > 0.0, around[:, None] / np.maximum(effects, 1e-12), np.inf), 0)
    low, high = _reach(description)
    return Box("nominal", np.maximum(low, centre - half), np.minimum(high, centre + half), centre)


STARTS = {"six passes": six_passes, "nominal": nominal}


def _reach(description: BenchDescription) -> tuple[FloatArray, FloatArray]:
    low, high = np.array([axis.reach for axis in description.axes.values()]).T
    lowest = description.positions(description.zero.at_spacing(description.lowest_spacing_m))
    spacing = list(description.axes).index("spacing")
    low[spacing] = max(low[spacing], lowest["spacing"])
    return low, high
