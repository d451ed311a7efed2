"""Input slopes that carry the beam from where it enters to a wanted place after N passes.

Paraxially every spot on M1 lies at p_n = p0 cos nθ + q sin nθ, on M2 at √(g1/g2) times that, with
p0 the place of entry and q free through the input slopes: Herriott, Kogelnik & Kompfner, Appl. Opt.
3, 523 (1964), in vectors and for unequal mirrors; from memory. So at any spacing where sin Nθ ≠ 0
just one q, and one ellipse about the axis, leads to a given place on pass N. p0 and q are conjugate
half-diameters of the ellipse. Derived here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from autocell.optics.cell import Cell, InputBeam
from autocell.optics.reentrance import phase_advance
from autocell.optics.trace import trace

_STEP = 1e-6
"""Step of the slopes for a derivative: the next order is then a millionth of it."""

_CLOSE_M = 1e-9
_ROUNDS = 12

Place = tuple[float, float]


@dataclass(frozen=True)
class Aim:
    """Input slopes, and the half-axes (m) of the ellipse of spots: on M1, and the large one on
    M2. ``small_m`` is exactly zero where both places lie on one line through the axis."""

    slope_x: float
    slope_y: float
    large_m: float
    small_m: float
    far_large_m: float


def paraxial_aim(
    spacing_m: float,
    radius_1_m: float,
    radius_2_m: float,
    start_m: Place,
    end_m: Place,
    passes: int,
) -> Aim:
    """Slopes that lead from ``start_m`` on M1 to ``end_m`` on the mirror that pass N meets.

    q = (p_end/s − p0 cos Nθ)/sin Nθ, s = √(g1/g2) for odd N and 1 for even; the slopes are
    −p0/R1 + √(g1/g2) (sin θ/d) q.

    Raises:
        ValueError: an unstable cell, or one in which every beam is at ±p0 again: sin Nθ = 0.
    """
    theta = float(phase_advance(spacing_m, radius_1_m, radius_2_m))
    turned = math.sin(passes * theta)
    if not abs(turned) > 1e-9:
        raise ValueError(f"at {spacing_m} m no slope says where pass {passes} ends")
    spread = math.sqrt((1.0 - spacing_m / radius_1_m) / (1.0 - spacing_m / radius_2_m))
    if radius_1_m == radius_2_m:
        spread = 1.0
    p0, end = np.array(start_m), np.array(end_m) / (spread if passes % 2 else 1.0)
    q = (end - p0 * math.cos(passes * theta)) / turned
    slope = -p0 / radius_1_m + spread * math.sin(theta) / spacing_m * q
    large, small = np.linalg.svd(np.column_stack([p0, q]), compute_uv=False)
    return Aim(
        float(slope[0]),
        float(slope[1]),
        float(large),
        0.0 if in_line(start_m, end_m) else float(small),
        float(spread * large),
    )


def in_line(start_m: Place, end_m: Place) -> bool:
    """Whether both places lie on one line through the axis, to a milliardth of a right angle."""
    (ax, ay), (bx, by) = start_m, end_m
    return abs(ax * by - ay * bx) <= 1e-9 * math.hypot(ax, ay) * math.hypot(bx, by)


def exact_slopes(cell: Cell, beam: InputBeam, passes: int, end_m: Place) -> tuple[float, float]:
    """The slopes that lead the chief ray of a beam to ``end_m`` (x, y from the axis) on pass N.

    Newton's method on the exact trace, from the slopes that the beam has.

    Raises:
        ValueError: no such slopes were found.
    """
    end = np.array(end_m)
    slopes: NDArray[np.float64] = np.array([beam.slope_x, beam.slope_y], dtype=float)
    nearby = _STEP * np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    for _ in range(_ROUNDS):
        tried = slopes + nearby
        batch = replace(beam, slope_x=tried[:, 0], slope_y=tried[:, 1])
        at = trace(cell, batch, passes).position_m[:, passes, :2]
        if not np.isfinite(at).all():
            break
        missed = end - at[0]
        if np.hypot(*missed) < _CLOSE_M:
            return float(slopes[0]), float(slopes[1])
        rates = (at[1:] - at[0]).T / _STEP
        if abs(np.linalg.det(rates)) < 1e-12:
            break
        slopes = slopes + np.linalg.solve(rates, missed)
    raise ValueError(f"no slopes lead to {end_m} m after {passes} passes")
