"""Cells to check against, and two tracers that share no line with the one under test."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from types import SimpleNamespace

import mpmath
import numpy as np
import pytest
from mpmath import mpf
from numpy.typing import ArrayLike, NDArray

from autocell.optics.cell import Cell, Hole, InputBeam, Mirror
from autocell.optics.gaussian import matched_mode

DIGITS = 50


def make_cell(
    spacing_m: ArrayLike,
    radius_1_m: ArrayLike,
    radius_2_m: ArrayLike | None = None,
    *,
    reflectivity: ArrayLike = 0.985,
    aperture_radius_m: ArrayLike = 0.1,
    hole: tuple[float, float, float] = (0.015, 0.0, 0.0015),
    entrance: dict[str, ArrayLike] | None = None,
    far: dict[str, ArrayLike] | None = None,
) -> Cell:
    """A cell with one hole (x, y, radius); ``entrance`` and ``far`` override mirror fields."""
    radius_2_m = radius_1_m if radius_2_m is None else radius_2_m
    common = {"aperture_radius_m": aperture_radius_m, "reflectivity": reflectivity}
    one = {"radius_x_m": radius_1_m, "radius_y_m": radius_1_m, **common, **(entrance or {})}
    two = {"radius_x_m": radius_2_m, "radius_y_m": radius_2_m, **common, **(far or {})}
    return Cell(spacing_m, Mirror(**one), Mirror(**two), (Hole("entrance", *hole),))


def make_beam(
    x_m: ArrayLike,
    y_m: ArrayLike,
    slope_x: ArrayLike,
    slope_y: ArrayLike,
    *,
    wavelength_m: float = 633e-9,
    waist_m: ArrayLike = 2e-4,
    waist_distance_m: ArrayLike = 0.16,
    **more: ArrayLike,
) -> InputBeam:
    """A beam that is round unless ``more`` says otherwise."""
    fields: dict[str, ArrayLike] = {
        "waist_x_m": waist_m,
        "waist_y_m": waist_m,
        "waist_distance_x_m": waist_distance_m,
        "waist_distance_y_m": waist_distance_m,
        **more,
    }
    return InputBeam(x_m, y_m, slope_x, slope_y, wavelength_m, **fields)


def make_matched_beam(
    x_m: float,
    y_m: float,
    slope_x: float,
    slope_y: float,
    spacing_m: float,
    radius_m: float,
    wavelength_m: float = 633e-9,
) -> InputBeam:
    """A beam in the mode of a cell of equal mirrors."""
    mode = matched_mode(spacing_m, radius_m, radius_m, wavelength_m)
    return make_beam(
        x_m,
        y_m,
        slope_x,
        slope_y,
        wavelength_m=wavelength_m,
        waist_m=float(mode.waist_m),
        waist_distance_m=float(mode.waist_distance_m),
    )


Vector = tuple[mpf, mpf, mpf]


def _dot(a: Sequence[mpf], b: Sequence[mpf]) -> mpf:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def _unit(a: Sequence[mpf]) -> Vector:
    length = mpmath.sqrt(_dot(a, a))
    return a[0] / length, a[1] / length, a[2] / length


def _cross(a: Sequence[mpf], b: Sequence[mpf]) -> Vector:
    return (
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    )


@dataclass
class LongMirror:
    """A mirror in 50 digits: radii, tilts, vertex; ``facing`` is +1 for M1 and −1 for M2."""

    radius_x: float
    radius_y: float
    vertex: tuple[float, float, float]
    facing: int
    tilt: tuple[float, float] = (0.0, 0.0)
    axes: tuple[Vector, Vector, Vector] = field(init=False)

    def __post_init__(self) -> None:
        normal = _unit((mpf(self.tilt[0]), mpf(self.tilt[1]), mpf(self.facing)))
        along_x = _unit(tuple(mpf(k == 0) - normal[0] * normal[k] for k in range(3)))
        self.axes = along_x, _cross(normal, along_x), normal

    def height(self, x: mpf, y: mpf) -> mpf:
        """z = (cx x² + cy y²)/(1 + √(1 − cx² x² − cy² y²))."""
        cx, cy = 1 / mpf(self.radius_x), 1 / mpf(self.radius_y)
        return (cx * x * x + cy * y * y) / (1 + mpmath.sqrt(1 - (cx * x) ** 2 - (cy * y) ** 2))

    def slopes(self, x: mpf, y: mpf) -> tuple[mpf, mpf]:
        """The height differentiated by hand, as a quotient."""
        cx, cy = 1 / mpf(self.radius_x), 1 / mpf(self.radius_y)
        root = mpmath.sqrt(1 - (cx * x) ** 2 - (cy * y) ** 2)
        top, bottom = cx * x * x + cy * y * y, 1 + root
        return (
            2 * cx * x / bottom + top * cx * cx * x / (root * bottom**2),
            2 * cy * y / bottom + top * cy * cy * y / (root * bottom**2),
        )

    def meet(self, p: Vector, u: Vector) -> tuple[Vector, Vector]:
        """Where a ray meets the mirror and the normal there."""
        q = tuple(a - mpf(b) for a, b in zip(p, self.vertex, strict=True))
        local = [_dot(q, axis) for axis in self.axes]
        step = [_dot(u, axis) for axis in self.axes]
        t = -local[2] / step[2]
        for _ in range(30):
            x, y = local[0] + t * step[0], local[1] + t * step[1]
            zx, zy = self.slopes(x, y)
            change = (local[2] + t * step[2] - self.height(x, y)) / (
                step[2] - zx * step[0] - zy * step[1]
            )
            t -= change
            if abs(change) < mpf(10) ** (10 - DIGITS):
                break
        zx, zy = self.slopes(local[0] + t * step[0], local[1] + t * step[1])
        one, two, normal = self.axes
        m = tuple(n - zx * a - zy * b for a, b, n in zip(one, two, normal, strict=True))
        return tuple(a + t * b for a, b in zip(p, u, strict=True)), _unit(m)


@dataclass
class LongSphere:
    """A spherical mirror in 50 digits, by the quadratic equation."""

    radius: float
    vertex: tuple[float, float, float]
    facing: int
    tilt: tuple[float, float] = (0.0, 0.0)

    def meet(self, p: Vector, u: Vector) -> tuple[Vector, Vector]:
        """Where a ray meets the mirror and the normal there."""
        radius = mpf(self.radius)
        normal = _unit((mpf(self.tilt[0]), mpf(self.tilt[1]), mpf(self.facing)))
        centre = tuple(mpf(v) + radius * n for v, n in zip(self.vertex, normal, strict=True))
        q = tuple(a - b for a, b in zip(p, centre, strict=True))
        b = _dot(u, q)
        t = -b + mpmath.sqrt(b * b - _dot(q, q) + radius**2)
        hit = tuple(a + t * c for a, c in zip(p, u, strict=True))
        return hit, tuple((c - a) / radius for a, c in zip(hit, centre, strict=True))


def reflect(u: Vector, m: Vector) -> Vector:
    """Law of reflection; back to unit length, without which even 50 digits are lost in the end."""
    k = 2 * _dot(u, m)
    return _unit(tuple(a - k * b for a, b in zip(u, m, strict=True)))


def long_trace(
    mirrors: Sequence[LongMirror | LongSphere], p: Vector, u: Vector, passes: int
) -> list[tuple[Vector, Vector, Vector]]:
    """Point, direction before reflection and normal at each arrival; mirrors are (M1, M2)."""
    arrivals = []
    for n in range(1, passes + 1):
        hit, normal = mirrors[n % 2].meet(p, u)
        arrivals.append((hit, u, normal))
        p, u = hit, reflect(u, normal)
    return arrivals


def long_start(
    x: float, y: float, slope_x: float, slope_y: float, radius: float
) -> tuple[Vector, Vector]:
    """Where and whither a beam enters over an untilted spherical M1."""
    z = mpf(radius) - mpmath.sqrt(mpf(radius) ** 2 - mpf(x) ** 2 - mpf(y) ** 2)
    return (mpf(x), mpf(y), z), _unit((mpf(slope_x), mpf(slope_y), mpf(1)))


def to_floats(vectors: Sequence[Vector]) -> NDArray[np.float64]:
    """(M, 3) in double precision."""
    return np.array([[float(a) for a in vector] for vector in vectors])


@pytest.fixture
def build() -> SimpleNamespace:
    """Makers of cells and beams: ``cell``, ``beam``, ``matched_beam``."""
    return SimpleNamespace(cell=make_cell, beam=make_beam, matched_beam=make_matched_beam)


@pytest.fixture
def by_hand() -> object:
    """The tracer in 50 digits."""
    before = mpmath.mp.dps
    mpmath.mp.dps = DIGITS
    yield SimpleNamespace(
        Mirror=LongMirror,
        Sphere=LongSphere,
        trace=long_trace,
        start=long_start,
        floats=to_floats,
        unit=_unit,
        cross=_cross,
        dot=_dot,
        reflect=reflect,
        tiny=mpf(10) ** -20,
    )
    mpmath.mp.dps = before


@pytest.fixture
def case_a() -> SimpleNamespace:
    """R = 400 mm, N = 50, k = 11, r = 15 mm, λ = 633 nm; θ = 79.2°."""
    return SimpleNamespace(
        radius_m=0.4,
        passes=50,
        orbits=11,
        circle_m=0.015,
        wavelength_m=633e-9,
        advance_rad=math.radians(79.2),
    )
