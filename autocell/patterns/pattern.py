"""One pattern of a bench: its setting, its margins, and why it should not be used, if so."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, get_args

from autocell.setting import Setting

Shape = Literal["line", "ellipse", "circle"]
SHAPES: tuple[Shape, ...] = get_args(Shape)


def finite_or_null(values: dict[str, Any]) -> dict[str, Any]:
    """The same, with None for numbers that JSON has none for, and with that in dicts inside."""

    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: plain(inner) for key, inner in value.items()}
        if isinstance(value, list | tuple):
            return [plain(inner) for inner in value]
        return None if isinstance(value, float) and not math.isfinite(value) else value

    return {key: plain(value) for key, value in values.items()}


@dataclass(frozen=True)
class Pattern:
    """A pattern of the bench as its file describes it.

    ``orbits`` is how many whole turns the spots make round the axis before the light leaves.
    ``setting`` sits in the middle of the plateau from ``low_m`` to ``high_m``. ``throughput`` is
    the share of the light arriving at the hole that goes towards the detector after ``passes``
    passes and falls on it, before the loss in the window on its way.

    ``clearance_beam_radii`` is the distance from the edge of a hole to the centre of the nearest
    spot that must not leave through it, ``aperture_clearance_beam_radii`` the least distance from
    the centre of a spot to the edge of its mirror's clear aperture: in 1/e² radii of that spot.

    ``margin_drifts`` is how many times the overnight drift of its axis the plateau reaches from
    the setting, along the axis for which that is least: ``limited_by``.

    ``axis_ratio`` is b/a of the spots, a pointing to the hole: 0 is a line, 1 a circle. Where the
    light leaves by another hole, an ellipse leans as both holes ask, and it is the small half-axis
    over the large one.
    ``rejected`` says why the bench should not use it; empty when it may.
    """

    passes: int
    orbits: int
    axis_ratio: float
    setting: Setting
    path_length_m: float
    throughput: float
    clearance_beam_radii: float
    aperture_clearance_beam_radii: float
    low_m: float
    high_m: float
    margin_drifts: float
    limited_by: str
    rejected: tuple[str, ...] = ()

    @property
    def shape(self) -> Shape:
        """What the spots look like."""
        if self.axis_ratio == 0.0:
            return "line"
        return "circle" if self.axis_ratio == 1.0 else "ellipse"

    @property
    def plateau_width_m(self) -> float:
        """Distance between the edges along the spacing."""
        return self.high_m - self.low_m

    def as_json(self) -> dict[str, object]:
        """Plain JSON values; null for a margin without end, and the path of light gone astray."""
        return finite_or_null(
            {
                "passes": self.passes,
                "orbits": self.orbits,
                "shape": self.shape,
                "axis_ratio": self.axis_ratio,
                "spacing_m": self.setting.spacing_m,
                "path_length_m": self.path_length_m,
                "throughput": self.throughput,
                "clearance_beam_radii": self.clearance_beam_radii,
                "aperture_clearance_beam_radii": self.aperture_clearance_beam_radii,
                "plateau_width_m": self.plateau_width_m,
                "margin_drifts": self.margin_drifts,
                "limited_by": self.limited_by,
                "slope_x": self.setting.slope_x,
                "slope_y": self.setting.slope_y,
                "rejected": list(self.rejected),
            }
        )
