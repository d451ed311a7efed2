"""Patterns of spots that close on themselves: phase advance, spacings, circles.

θ is the phase advance per pass, d the spacing, R, R1 and R2 radii of curvature, g = 1 − d/R. One
pass is one transit of the spacing; k is how often the spots go round the axis before they close.

An exact circular orbit is a paraxial one in disguise. The reflection law asks that the chord
leaving a circle of radius r1 on M1 for one of radius r2 on M2, turned by θ, and the chord that
arrives there share their bisector with the mirror's normal. With h = √(R² − r²), the distance of
the circle's plane from the centre of curvature, and L, that between the planes of the two circles,

    r2 cos θ = r1 (1 − L/h1),    r1 cos θ = r2 (1 − L/h2),    L = d − (R1 − h1) − (R2 − h2):

the formulas of the paraxial cell with h for R and L for d. They are derived here; for equal
mirrors they give cos θ = (2R − d)/√(R² − r²) − 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocell.optics.cell import FloatArray, MirrorName

REENTRANT = np.dtype([("passes", np.int64), ("orbits", np.int64), ("spacing_m", np.float64)])
"""One row of :func:`reentrant_spacings`."""


def phase_advance(spacing_m: ArrayLike, radius_1_m: ArrayLike, radius_2_m: ArrayLike) -> FloatArray:
    """Paraxial phase advance θ per pass, 0 < θ < π; NaN where the cell is unstable.

    cos θ = ±√(g1 g2) with the sign of g1, which for equal mirrors is 1 − d/R. Sources: Herriott,
    Kogelnik & Kompfner, Appl. Opt. 3, 523 (1964); Kogelnik & Li, Appl. Opt. 5, 1550 (1966); both
    from memory.
    """
    d, r1, r2 = (np.asarray(v, dtype=float) for v in (spacing_m, radius_1_m, radius_2_m))
    g1, g2 = 1.0 - d / r1, 1.0 - d / r2
    with np.errstate(invalid="ignore"):
        cosine = np.where(r1 == r2, g1, np.sign(g1) * np.sqrt(g1 * g2))
        return np.where((d > 0.0) & (g1 * g2 < 1.0), np.arccos(cosine), np.nan)


def spacing_for_advance(
    advance_rad: ArrayLike, radius_1_m: ArrayLike, radius_2_m: ArrayLike
) -> FloatArray:
    """Paraxial spacing with phase advance θ, the inverse of :func:`phase_advance`.

    Solves g1 g2 = cos² θ with g1 and g2 of the sign of cos θ, which for equal mirrors gives
    d = R (1 − cos θ).

    NaN where θ = π/2 between unequal mirrors: the cell is at an edge of stability there.
    """
    theta, r1, r2 = np.broadcast_arrays(
        *(np.asarray(v, dtype=float) for v in (advance_rad, radius_1_m, radius_2_m))
    )
    cosine = np.cos(theta)
    total = r1 + r2
    root = np.sqrt((r1 - r2) ** 2 + 4.0 * r1 * r2 * cosine**2)
    near = (
        2.0 * r1 * r2 * np.sin(theta) ** 2 / (total + root)
    )  # the smaller root, cancelling nothing
    spacing = np.where(cosine > 0.0, near, 0.5 * (total + root))
    return np.where((np.abs(cosine) < 1e-12) & (r1 != r2), np.nan, spacing)


def reentrant_spacings(
    radius_1_m: float,
    radius_2_m: float,
    low_m: float,
    high_m: float,
    max_passes: int,
    exit_mirror: MirrorName = "entrance",
    exit_azimuth_rad: float = 0.0,
) -> NDArray[np.void]:
    """Paraxial spacings between ``low_m`` and ``high_m`` at which the light leaves after N passes.

    θ = (2πk + φ)/N with φ the azimuth of the exit hole from the entrance hole, counted the way
    the spots go round. Through the entrance hole φ = 0, through another hole in its mirror, on
    the same circle, φ is that of the hole; N is even. Through a hole in the far mirror, on the
    far circle of the pattern (r √(g1/g2), for equal mirrors the same radius), N is odd. No earlier
    spot may lie in either hole. For φ = 0 that is gcd(k, N/2) = 1 through the entrance hole (k and
    N may both be even: N = 6, k = 2 at d = 3R/2 is a cell of six passes), and gcd(k, N) = 1
    through the far mirror. Derived here.

    Args:
        exit_azimuth_rad: φ, of an exit hole other than the entrance; any multiple of 2π may be
            added.

    Returns:
        (M,) of dtype :data:`REENTRANT`, by rising spacing.
    """
    if exit_mirror not in get_args(MirrorName):
        raise ValueError(
            f"{exit_mirror!r} is no mirror; there are {', '.join(get_args(MirrorName))}"
        )
    turn = _turn(exit_azimuth_rad)
    fewest = 3 if exit_mirror == "far" else 2 if turn else 4
    pairs = [
        (passes, orbits)
        for passes in range(fewest, max_passes + 1, 2)
        for orbits in range(0 if turn else 1, (passes + 1) // 2)
        if orbits + turn < 0.5 * passes
    ]
    found = np.empty(len(pairs), dtype=REENTRANT)
    if pairs:
        found["passes"], found["orbits"] = np.array(pairs).T
    advance = 2.0 * np.pi * (found["orbits"] + turn) / found["passes"]
    found["spacing_m"] = spacing_for_advance(advance, radius_1_m, radius_2_m)
    found = found[(found["spacing_m"] > low_m) & (found["spacing_m"] < high_m)]
    first = [_leaves_at_last(int(row["passes"]), int(row["orbits"]), turn) for row in found]
    return np.sort(found[np.array(first, dtype=bool)], order=["spacing_m", "passes"])


def circle_slopes(
    circle_radius_m: ArrayLike, spacing_m: ArrayLike, radius_m: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Paraxial radial and tangential slope that hold the spots on a circle, equal mirrors.

    x′ = −r/R and y′ = (r/R) √((2R − d)/d) for a beam entering at (r, 0); −y′ runs the other way
    round. Derived here; :func:`circular_orbit` has the exact ones.
    """
    r, d, radius = (np.asarray(v, dtype=float) for v in (circle_radius_m, spacing_m, radius_m))
    return -r / radius, r / radius * np.sqrt((2.0 * radius - d) / d)


@dataclass(frozen=True)
class CircularOrbit:
    """An exact circular orbit: every spot on M1 on one circle, every spot on M2 on another.

    A beam that enters at (r, 0) with slopes ``radial_slope`` in x and ``tangential_slope`` in y
    goes round from x to y; with the tangential slope reversed, the other way.
    """

    spacing_m: float
    advance_rad: float
    circle_radius_m: float
    far_circle_radius_m: float
    radial_slope: float
    tangential_slope: float
    chord_m: float
    """Length of one pass."""

    def input_slopes(self, azimuth_rad: float, sense: float = 1.0) -> tuple[float, float]:
        """Slopes dx/dz and dy/dz of the beam that enters at this azimuth; ``sense`` is ±1."""
        c, s = math.cos(azimuth_rad), math.sin(azimuth_rad)
        tangential = sense * self.tangential_slope
        return self.radial_slope * c - tangential * s, self.radial_slope * s + tangential * c


def circular_orbit(
    spacing_m: float, radius_1_m: float, radius_2_m: float, circle_radius_m: float
) -> CircularOrbit:
    """The exact circular orbit of radius r on M1 at a spacing.

    Equal mirrors: cos θ = (2R − d)/√(R² − r²) − 1. Unequal ones: the radius on M2 is iterated to
    the last digit. Slopes −r1/h1 and r2 sin θ/L.

    Raises:
        ValueError: no such orbit; the cell is unstable, or the circle is wider than a mirror.
    """
    h1 = _plane_distance(radius_1_m, circle_radius_m)
    far = circle_radius_m
    for _ in range(_ITERATIONS):
        h2 = _plane_distance(radius_2_m, far)
        apart = spacing_m - (radius_1_m - h1) - (radius_2_m - h2)
        g1, g2 = 1.0 - apart / h1, 1.0 - apart / h2
        if radius_1_m == radius_2_m:
            break
        if not 0.0 < g1 * g2 < 1.0:
            raise ValueError(f"no circular orbit: the cell is unstable at d = {spacing_m} m")
        before, far = far, circle_radius_m * math.sqrt(g1 / g2)
        if abs(far - before) <= 1e-16:
            break
    advance = float(phase_advance(apart, h1, h2))
    if math.isnan(advance):
        raise ValueError(f"no circular orbit: the cell is unstable at d = {spacing_m} m")
    return _orbit(spacing_m, advance, circle_radius_m, far, h1, apart)


def reentrant_circle(
    passes: int,
    orbits: int,
    radius_1_m: float,
    radius_2_m: float,
    circle_radius_m: float,
    exit_azimuth_rad: float = 0.0,
) -> CircularOrbit:
    """The exact circular orbit of radius r on M1 that makes k turns and φ more in N passes.

    φ is ``exit_azimuth_rad``, as in :func:`reentrant_spacings`.

    Equal mirrors: d = 2R − (1 + cos θ) √(R² − r²), larger than the paraxial spacing by about
    (1 + cos θ) r²/2R, which is comparable with the width of a high plateau.

    Raises:
        ValueError: no such orbit; not between none and half a turn a pass, the circle is wider
            than a mirror, or θ = π/2 and the mirrors differ.
    """
    turns = orbits + _turn(exit_azimuth_rad)
    if not 0.0 < 2.0 * turns < passes:
        raise ValueError(f"no circular orbit: {turns:g} turns in {passes} passes")
    theta = 2.0 * math.pi * turns / passes
    h1 = _plane_distance(radius_1_m, circle_radius_m)
    far = circle_radius_m
    for _ in range(_ITERATIONS):
        h2 = _plane_distance(radius_2_m, far)
        apart = float(spacing_for_advance(theta, h1, h2))
        if radius_1_m == radius_2_m:
            break
        if math.isnan(apart):
            raise ValueError(
                "no circular orbit: unequal mirrors have none at a quarter turn a pass"
            )
        before, far = far, circle_radius_m * math.sqrt((1.0 - apart / h1) / (1.0 - apart / h2))
        if abs(far - before) <= 1e-16:
            break
    spacing = apart + (radius_1_m - h1) + (radius_2_m - h2)
    return _orbit(spacing, theta, circle_radius_m, far, h1, apart)


def exit_slide(
    circle_radius_m: ArrayLike,
    passes: ArrayLike,
    spacing_error_m: ArrayLike,
    spacing_m: ArrayLike,
    radius_m: ArrayLike,
) -> FloatArray:
    """How far the exit spot slides along the circle when the spacing is off, equal mirrors.

    r N δd / √(d (2R − d)), from dθ/dd = 1/√(d (2R − d)). Paraxial; derived here.
    """
    r, n, error, d, radius = (
        np.asarray(v, dtype=float)
        for v in (circle_radius_m, passes, spacing_error_m, spacing_m, radius_m)
    )
    return np.asarray(r * n * error / np.sqrt(d * (2.0 * radius - d)))


def neighbour_distance(circle_radius_m: ArrayLike, passes: ArrayLike) -> FloatArray:
    """Distance between the closest of the N/2 spots on one mirror of a circle: 2r sin(2π/N)."""
    return np.asarray(2.0 * np.asarray(circle_radius_m) * np.sin(2.0 * np.pi / np.asarray(passes)))


_ITERATIONS = 200

_SAME_PLACE = 1e-9
"""Part of a turn below which two places on the circle are the same one."""


def _turn(azimuth_rad: float) -> float:
    """An azimuth as part of a turn, 0 to 1; one that is hardly any is none."""
    turn = azimuth_rad / (2.0 * math.pi) % 1.0
    return 0.0 if min(turn, 1.0 - turn) < _SAME_PLACE else turn


def _leaves_at_last(passes: int, orbits: int, exit_turn: float) -> bool:
    """Whether no spot before the last lies in the entrance hole or, this much of a turn from it
    and on the mirror of the last spot, in the exit hole."""
    turned = np.arange(1, passes) * ((orbits + exit_turn) / passes)
    on_entrance, on_last = turned[1::2], turned[(passes + 1) % 2 :: 2] - exit_turn
    from_hole = np.concatenate([on_entrance, on_last])
    return bool(np.all(np.abs(from_hole - np.round(from_hole)) > _SAME_PLACE))


def _plane_distance(radius_of_curvature_m: float, circle_radius_m: float) -> float:
    """h = √(R² − r²)."""
    if not 0.0 <= circle_radius_m < radius_of_curvature_m:
        raise ValueError(
            f"no circular orbit: a circle of radius {circle_radius_m} m on a mirror of radius of "
            f"curvature {radius_of_curvature_m} m"
        )
    return math.sqrt(radius_of_curvature_m**2 - circle_radius_m**2)


def _orbit(
    spacing_m: float, advance: float, circle_m: float, far_m: float, h1: float, apart_m: float
) -> CircularOrbit:
    radial = -circle_m / h1
    tangential = far_m * math.sin(advance) / apart_m
    return CircularOrbit(
        spacing_m,
        advance,
        circle_m,
        far_m,
        radial,
        tangential,
        apart_m * math.sqrt(1.0 + radial**2 + tangential**2),
    )
