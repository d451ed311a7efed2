"""The spots of one traced cell in a table, how far they keep from edges, and what leaks where.

A clearance is a distance divided by the 1/e² radius of the spot towards what it should clear: the
half-width √(n̂ᵀ S⁻¹ n̂) of its ellipse along the direction n̂, exact for a straight edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from autocell.optics.absorption import SPEED_OF_LIGHT_M_PER_S
from autocell.optics.cell import Cell, FloatArray, Mirror, MirrorName
from autocell.optics.trace import Path


@dataclass(frozen=True)
class SpotRow:
    """One arrival at a mirror. Pass 0 is the entrance; even passes are on the entrance mirror.

    Lengths in m, angles in rad. ``radius_large_m`` and ``radius_small_m`` are 1/e² radii on the
    mirror, the large axis turned by ``angle_rad`` from x. Clearances are in beam radii, from the
    centre of the spot: to the edge of the nearest hole of its mirror (negative inside it), to the
    centre of the nearest spot of another pass, and to the edge of the clear aperture. Infinite
    where there is nothing to clear.
    """

    pass_number: int
    mirror: MirrorName
    x_m: float
    y_m: float
    radius_large_m: float
    radius_small_m: float
    angle_rad: float
    incidence_rad: float
    hole_clearance: float
    neighbour_clearance: float
    aperture_clearance: float


@dataclass(frozen=True)
class Leak:
    """Light that leaves through a hole after ``pass_number`` passes.

    ``x_m``, ``y_m`` and the slopes are those of its chief ray on the mirror's surface as it leaves;
    the radii are of its footprint there. ``power`` is a share of what arrives at the entrance hole.
    ``fringe_period_hz`` is that of its beat with the light of the reference pass, infinite for
    the reference pass itself.
    """

    pass_number: int
    hole: int
    power: float
    x_m: float
    y_m: float
    slope_x: float
    slope_y: float
    radius_large_m: float
    radius_small_m: float
    fringe_period_hz: float


def beam_radius_towards(footprint_per_m2: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """1/e² half-width of footprints (..., 3) along the directions (x, y), m.

    √(n̂ᵀ S⁻¹ n̂) of the intensity exp(−2 ρᵀSρ): the radius of the profile that is left when
    the spot is summed across n̂.
    """
    sxx, sxy, syy = np.moveaxis(footprint_per_m2, -1, 0)
    along = np.hypot(x, y)
    with np.errstate(invalid="ignore", divide="ignore"):
        c, s = np.where(along > 0.0, x / along, 1.0), np.where(along > 0.0, y / along, 0.0)
        across = np.maximum(syy * c * c - 2.0 * sxy * c * s + sxx * s * s, 0.0)
        area = np.maximum(sxx * syy - sxy * sxy, 1e-300)  # of a needle rounding may leave nothing
        return np.asarray(np.sqrt(across / area))


def spot_table(cell: Cell, path: Path) -> list[SpotRow]:
    """Every spot of one traced cell, the entrance first, until the beam misses a mirror.

    Raises:
        ValueError: a path that is a batch.
    """
    _refuse_batch(path)
    large, small = path.beam_radii_m
    angle = path.ellipse_angle_rad
    to_hole, to_neighbour = _hole_clearance(cell, path), _neighbour_clearance(path)
    to_edge = _aperture_clearance(cell, path)
    return [
        SpotRow(
            pass_number=n,
            mirror=_side(n),
            x_m=float(path.position_m[n, 0]),
            y_m=float(path.position_m[n, 1]),
            radius_large_m=float(large[n]),
            radius_small_m=float(small[n]),
            angle_rad=float(angle[n]),
            incidence_rad=float(path.incidence_rad[n]),
            hole_clearance=float(to_hole[n]),
            neighbour_clearance=float(to_neighbour[n]),
            aperture_clearance=float(to_edge[n]),
        )
        for n in range(len(path.position_m))
        if np.all(np.isfinite(path.position_m[n])) and math.isfinite(large[n])
    ]


def leak_table(path: Path, *, least: float = 1e-9, reference_pass: int | None = None) -> list[Leak]:
    """Everything above ``least`` that leaves through a hole, pass by pass; the light that
    turns away at the entrance hole itself is not in it.

    The period is c/ΔL with ΔL the traced path between this pass and ``reference_pass``, by default
    the last of the trace: for one that is p passes early or late about c/(p d). Derived here.

    Raises:
        ValueError: a path that is a batch, or a reference pass that was not traced.
    """
    _refuse_batch(path)
    traced = len(path.position_m) - 1
    if reference_pass is not None and not 0 <= reference_pass <= traced:
        raise ValueError(f"{traced} passes were traced, and {reference_pass} is none of them")
    large, small = path.beam_radii_m
    length = path.path_length_m
    reference_m = length[-1 if reference_pass is None else reference_pass]
    found = []
    for n, hole in zip(*np.nonzero(path.leaks > least), strict=True):
        ux, uy, uz = path.direction[n - 1]
        apart = abs(reference_m - length[n])
        found.append(
            Leak(
                pass_number=int(n),
                hole=int(hole),
                power=float(path.leaks[n, hole]),
                x_m=float(path.position_m[n, 0]),
                y_m=float(path.position_m[n, 1]),
                slope_x=float(ux / uz),
                slope_y=float(uy / uz),
                radius_large_m=float(large[n]),
                radius_small_m=float(small[n]),
                fringe_period_hz=(
                    float(SPEED_OF_LIGHT_M_PER_S / apart) if apart > 0.0 else math.inf
                ),
            )
        )
    return found


def _side(pass_number: int) -> MirrorName:
    return "entrance" if pass_number % 2 == 0 else "far"


def _refuse_batch(path: Path) -> None:
    if path.position_m.ndim != 2:
        raise ValueError("a table is of one cell, and this path is of a batch; take one of them")


_SIDES: tuple[tuple[MirrorName, slice], ...] = (
    ("entrance", slice(0, None, 2)),
    ("far", slice(1, None, 2)),
)
"""Which arrivals are on which mirror."""


def _from_vertex(cell: Cell, path: Path, side: MirrorName, on: slice) -> tuple[Mirror, FloatArray]:
    """A mirror and the places (M, 2) of the spots on it, from its vertex."""
    mirror = cell.entrance_mirror if side == "entrance" else cell.far_mirror
    vertex = np.array([mirror.decentre_x_m, mirror.decentre_y_m], dtype=float)
    return mirror, path.position_m[on, :2] - vertex


def _hole_clearance(cell: Cell, path: Path) -> FloatArray:
    least = np.full(len(path.position_m), np.inf)
    for side, on in _SIDES:
        _, place = _from_vertex(cell, path, side, on)
        for hole in cell.holes:
            if hole.mirror == side:
                x, y = (np.array([hole.x_m, hole.y_m], dtype=float) - place).T
                room = np.hypot(x, y) - np.asarray(hole.radius_m)
                towards = beam_radius_towards(path.footprint_per_m2[on], x, y)
                least[on] = np.minimum(least[on], room / towards)
    return least


def _neighbour_clearance(path: Path) -> FloatArray:
    least = np.full(len(path.position_m), np.inf)
    for _, on in _SIDES:
        place = path.position_m[on, :2]
        x, y = np.moveaxis(place[None, :, :] - place[:, None, :], -1, 0)
        towards = beam_radius_towards(path.footprint_per_m2[on][:, None, :], x, y)
        apart = np.hypot(x, y) / towards
        np.fill_diagonal(apart, np.inf)
        least[on] = np.fmin.reduce(apart, axis=-1, initial=np.inf)
    return least


def _aperture_clearance(cell: Cell, path: Path) -> FloatArray:
    least = np.full(len(path.position_m), np.inf)
    for side, on in _SIDES:
        mirror, place = _from_vertex(cell, path, side, on)
        x, y = place.T
        room = np.asarray(mirror.aperture_radius_m, dtype=float) - np.hypot(x, y)
        least[on] = room / beam_radius_towards(path.footprint_per_m2[on], x, y)
    return least
