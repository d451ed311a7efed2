"""The cell as the light meets it: two mirrors with holes, an input beam, a detector.

Every number may be a float or an array; arrays are broadcast to one *batch* of cells, so
that a thousand model benches are asked in one call.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
MirrorName = Literal["entrance", "far"]


@dataclass(frozen=True)
class Mirror:
    """A concave mirror. ``radius_y_m`` differs from ``radius_x_m`` for a toroidal one.

    With c = 1/R its surface is z = (cx x² + cy y²)/(1 + √(1 − cx² x² − cy² y²)): a sphere when
    the radii are equal. (A torus differs from it in the fourth order of x and y.)

    ``tilt_x_rad`` is the slope by which the mirror's normal leans towards +x (same in y), about
    the vertex; ``decentre_x_m`` moves the vertex. A circle of ``aperture_radius_m`` about the
    vertex reflects; light beyond it is lost.
    """

    radius_x_m: ArrayLike
    radius_y_m: ArrayLike
    aperture_radius_m: ArrayLike
    reflectivity: ArrayLike
    tilt_x_rad: ArrayLike = 0.0
    tilt_y_rad: ArrayLike = 0.0
    decentre_x_m: ArrayLike = 0.0
    decentre_y_m: ArrayLike = 0.0

    @classmethod
    def spherical(
        cls, radius_m: ArrayLike, aperture_radius_m: ArrayLike, reflectivity: ArrayLike
    ) -> Mirror:
        """A mirror with one radius of curvature, aligned and centred."""
        return cls(radius_m, radius_m, aperture_radius_m, reflectivity)


@dataclass(frozen=True)
class Hole:
    """A round hole along the axis of the cell, its centre measured from the mirror's vertex."""

    mirror: MirrorName
    x_m: ArrayLike
    y_m: ArrayLike
    radius_m: ArrayLike


@dataclass(frozen=True)
class InputBeam:
    """The beam where it crosses the entrance mirror's surface (continued over the hole).

    ``slope_x`` is dx/dz just inside the cell. The waist (1/e² intensity radius) lies
    ``waist_distance_m`` further along the beam. ``beam_quality`` is M² (ISO 11146).
    ``ellipse_angle_rad`` turns the x axis of the beam from the x axis of the cell.
    """

    x_m: ArrayLike
    y_m: ArrayLike
    slope_x: ArrayLike
    slope_y: ArrayLike
    wavelength_m: ArrayLike
    waist_x_m: ArrayLike
    waist_y_m: ArrayLike
    waist_distance_x_m: ArrayLike
    waist_distance_y_m: ArrayLike
    ellipse_angle_rad: ArrayLike = 0.0
    beam_quality: ArrayLike = 1.0


@dataclass(frozen=True)
class Detector:
    """A round detector outside the mirror whose hole it looks through.

    It lies in the plane across the axis of the cell, ``distance_m`` outside the mirror's vertex;
    its centre is measured from that axis. An infinite radius collects all that leaves.

    It accepts light from a cone of half-angle ``acceptance_rad`` about the direction that it faces,
    which is that of a beam of slopes ``slope_x``, ``slope_y`` = dx/dz, dy/dz. The edge of the cone
    is sharp, but a beam is not one direction: what is accepted of it is the part of its angular
    distribution inside the cone, a Gaussian about the chief ray with the far-field divergence
    λM²/(πw0) (ISO 11146). So the answer is that of a sharp edge for a beam that spreads little, and
    half where the chief ray runs along the edge. An infinite acceptance takes every direction.

    ``stray_fraction`` of what arrives at the entrance hole reaches the detector without following
    the path: scattered at the rim of the hole, reflected by a window. It makes no passes.
    """

    radius_m: ArrayLike = np.inf
    distance_m: ArrayLike = 0.0
    x_m: ArrayLike = 0.0
    y_m: ArrayLike = 0.0
    acceptance_rad: ArrayLike = np.inf
    slope_x: ArrayLike = 0.0
    slope_y: ArrayLike = 0.0
    stray_fraction: ArrayLike = 0.0


@dataclass(frozen=True)
class Cell:
    """Two mirrors facing each other, with at least one hole to come in by.

    The first hole is the entrance. Light may leave by any hole; the detector collects what
    leaves through the mirror named by ``exit_mirror``. Holes in one mirror must not overlap: what
    falls on both of them would be counted twice. That is not checked.
    """

    spacing_m: ArrayLike
    entrance_mirror: Mirror
    far_mirror: Mirror
    holes: tuple[Hole, ...]
    exit_mirror: MirrorName = "entrance"
    detector: Detector = field(default_factory=Detector)

    def at_spacing(self, spacing_m: ArrayLike) -> Cell:
        """The same cell with another mirror spacing."""
        return replace(self, spacing_m=spacing_m)
