"""All that the bench file alone says of one pattern: what small errors do to it, how long its path
is and how surely, what light leaves early, and which pass count would measure best."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

from autocell.description import BenchDescription
from autocell.optics.absorption import best_passes
from autocell.optics.gaussian import matched_mode
from autocell.optics.path_length import PathLengthBudget, path_length_budget
from autocell.optics.sensitivity import PARAMETERS, jacobian, plateau_margins, spacing_margins
from autocell.optics.spots import Leak, SpotRow, leak_table, spot_table
from autocell.optics.trace import trace
from autocell.patterns.pattern import Pattern, finite_or_null

_LEAST_LEAK = 1e-6
"""Share of the light at the hole below which a leak is not worth a line."""

_TIMES_ROUND = 3
"""How often the light is followed through the pattern for leaks: what the exit hole left of it
goes round again."""


@dataclass(frozen=True)
class Sensitivity:
    """One parameter of the cell or its input beam, in metres, radians and slopes.

    The exit spot, the slope of the light that leaves, the path, and the distances to both ends of
    the plateau along the spacing, each per unit of it; and the change down (negative) and up at
    which the plateau ends, infinite where it was not found to. ``low_passes`` and ``high_passes``
    are what carries most of the light just beyond: the pattern's own count where half of its light
    is lost by then.
    """

    parameter: str
    exit_x: float
    exit_y: float
    exit_slope_x: float
    exit_slope_y: float
    path_length_m: float
    low_margin_m: float
    high_margin_m: float
    low: float
    high: float
    low_passes: int
    high_passes: int


@dataclass(frozen=True)
class Details:
    """One pattern looked at closely.

    ``mode_waist_m`` and its distance from the entrance mirror are those of the beam that repeats
    itself from pass to pass. ``best_passes`` are for a weak absorption line in a cell of this
    reflectivity, where the detector's noise limits and where shot noise does.
    """

    sensitivities: tuple[Sensitivity, ...]
    path: PathLengthBudget
    leaks: tuple[Leak, ...]
    spots: tuple[SpotRow, ...]
    mode_waist_m: float
    mode_waist_distance_m: float
    best_passes_detector: float
    best_passes_shot: float

    def as_json(self) -> dict[str, object]:
        """Plain JSON values; null for a distance without end."""
        return finite_or_null(asdict(self))


def details(bench: BenchDescription, pattern: Pattern) -> Details:
    """Everything about a pattern at its setting that takes longer than to choose it."""
    cell, beam = bench.cell(pattern.setting.spacing_m), bench.beam(pattern.setting)
    path = trace(cell, beam, pattern.passes)
    one, two = bench.entrance_mirror, bench.far_mirror
    reflectivity = math.sqrt(one.reflectivity * two.reflectivity)
    mode = matched_mode(
        pattern.setting.spacing_m,
        one.mean_radius_m,
        two.mean_radius_m,
        bench.laser.wavelength_m,
        bench.input_beam.beam_quality,
    )
    return Details(
        sensitivities=tuple(_sensitivities(bench, pattern)),
        path=path_length_budget(cell, beam, pattern.passes, standard_uncertainties(bench)),
        leaks=tuple(
            leak_table(
                trace(cell, beam, _TIMES_ROUND * pattern.passes),
                least=_LEAST_LEAK,
                reference_pass=pattern.passes,
            )
        ),
        spots=tuple(spot_table(cell, path)),
        mode_waist_m=float(mode.waist_m),
        mode_waist_distance_m=float(mode.waist_distance_m),
        best_passes_detector=float(best_passes(reflectivity)),
        best_passes_shot=float(best_passes(reflectivity, "shot")),
    )


def standard_uncertainties(bench: BenchDescription) -> dict[str, float]:
    """Of each parameter before anything was read: the bench file's half-widths over √3.

    A rectangular distribution (JCGM 100:2008, 4.3.7), and radii in x and y alike.
    """
    beam, entrance, far = bench.input_beam, bench.entrance_mirror, bench.far_mirror
    half_widths = {
        "spacing_m": bench.spacing_tolerance_m,
        "x_m": beam.position_tolerance_m,
        "y_m": beam.position_tolerance_m,
        "slope_x": beam.slope_tolerance,
        "slope_y": beam.slope_tolerance,
        "entrance_tilt_x_rad": entrance.tilt_tolerance_rad,
        "entrance_tilt_y_rad": entrance.tilt_tolerance_rad,
        "far_tilt_x_rad": far.tilt_tolerance_rad,
        "far_tilt_y_rad": far.tilt_tolerance_rad,
        "entrance_radius_m": entrance.radius_tolerance_m,
        "far_radius_m": far.radius_tolerance_m,
    }
    return {name: half / math.sqrt(3.0) for name, half in half_widths.items()}


def _sensitivities(bench: BenchDescription, pattern: Pattern) -> list[Sensitivity]:
    cell, beam = bench.cell(pattern.setting.spacing_m), bench.beam(pattern.setting)
    rates = jacobian(cell, beam, pattern.passes)
    ends = plateau_margins(cell, beam, pattern.passes)
    margins = spacing_margins(cell, beam, pattern.passes)
    return [
        Sensitivity(
            parameter=parameter,
            exit_x=float(rates.exit_spot[i, 0]),
            exit_y=float(rates.exit_spot[i, 1]),
            exit_slope_x=float(rates.exit_slope[i, 0]),
            exit_slope_y=float(rates.exit_slope[i, 1]),
            path_length_m=float(rates.path_length_m[i]),
            low_margin_m=float(margins.low_per_unit[i]),
            high_margin_m=float(margins.high_per_unit[i]),
            low=float(ends.low[i]),
            high=float(ends.high[i]),
            low_passes=int(ends.low_passes[i]),
            high_passes=int(ends.high_passes[i]),
        )
        for i, parameter in enumerate(PARAMETERS)
    ]
