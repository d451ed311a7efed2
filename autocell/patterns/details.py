"""What small errors of a bench do to one of its patterns, and how large they may become."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from autocell.description import BenchDescription
from autocell.optics.sensitivity import PARAMETERS, jacobian, plateau_margins
from autocell.patterns.pattern import Pattern


@dataclass(frozen=True)
class Sensitivity:
    """One parameter of the cell or its input beam, in metres, radians and slopes.

    The exit spot, the slope of the light that leaves, and the path, each per unit of it; and the
    change down (negative) and up at which the plateau ends, infinite where it was not found to.
    ``low_passes`` and ``high_passes`` are what carries most of the light just beyond: the pattern's
    own count where half of its light is lost by then.
    """

    parameter: str
    exit_x: float
    exit_y: float
    exit_slope_x: float
    exit_slope_y: float
    path_length_m: float
    low: float
    high: float
    low_passes: int
    high_passes: int

    def as_json(self) -> dict[str, object]:
        """Plain values; a margin without end is infinite."""
        return asdict(self)


def sensitivities(bench: BenchDescription, pattern: Pattern) -> list[Sensitivity]:
    """What each of :data:`~autocell.optics.sensitivity.PARAMETERS` does at a pattern's setting."""
    cell, beam = bench.cell(pattern.setting.spacing_m), bench.beam(pattern.setting)
    rates = jacobian(cell, beam, pattern.passes)
    ends = plateau_margins(cell, beam, pattern.passes)
    return [
        Sensitivity(
            parameter=parameter,
            exit_x=float(rates.exit_spot[i, 0]),
            exit_y=float(rates.exit_spot[i, 1]),
            exit_slope_x=float(rates.exit_slope[i, 0]),
            exit_slope_y=float(rates.exit_slope[i, 1]),
            path_length_m=float(rates.path_length_m[i]),
            low=float(ends.low[i]),
            high=float(ends.high[i]),
            low_passes=int(ends.low_passes[i]),
            high_passes=int(ends.high_passes[i]),
        )
        for i, parameter in enumerate(PARAMETERS)
    ]
