"""Beams as they enter: all lanes of a batch's numbers turned into the state that is followed."""

from __future__ import annotations  # noqa: I001

import math

from autocell.optics.cell import FloatArray
from autocell.optics.compiled import compiled, inlined
from autocell.optics.lanes import (
    ARRIVING, C1X, C2X, CENTRE_X, CENTRE_Y, CENTRE_Z, CHORD, COS, CURVATURE,
    E1X, E1Y, E1Z, E2X, E2Y, E2Z, LANES, MIRROR_1, MIRROR_2, NX, NY, NZ, PARAMETERS, PATH,
    PI11, PI12, PI21, PI22, POWER, PR11, PR12, PR21, PR22, RADIUS, RADIUS_Y, TILT_X, TILT_Y,
    UX, UY, UZ, VERTEX_X, VERTEX_Y, X, XI11, XI12, XI21, XI22, XR11, XR12, XR21, XR22, Y, Z,
    vertex_normal,
)  # fmt: skip
from autocell.optics.rows import BEAM
from autocell.optics.toroid import meet_toroid

(
    _X, _Y, _SLOPE_X, _SLOPE_Y, _WAVELENGTH, _WAIST_X, _WAIST_Y, _AHEAD_X, _AHEAD_Y, _ANGLE, _M2,
) = range(PARAMETERS + BEAM * LANES, PARAMETERS + (BEAM + 11) * LANES, LANES)  # fmt: skip


@compiled
def place_beams(s: FloatArray) -> None:
    """Put every beam where it crosses the surface of M1, with its direction, frame and waists."""
    _centre_mirror(s, MIRROR_1, C1X, 1.0)
    _centre_mirror(s, MIRROR_2, C2X, -1.0)
    for i in range(LANES):
        s[CENTRE_Z + C2X + i] += s[PARAMETERS + i]
    for i in range(LANES):
        s[ARRIVING + i], s[POWER + i] = 1.0, 1.0
        s[CHORD + i], s[PATH + i], s[COS + i] = 0.0, 0.0, 1.0
        x, y, r = s[_X + i], s[_Y + i], s[MIRROR_1 + RADIUS + i]
        nx, ny = (s[C1X + CENTRE_X + i] - x) / r, (s[C1X + CENTRE_Y + i] - y) / r
        nz = math.sqrt(1.0 - nx * nx - ny * ny)
        s[X + i], s[Y + i], s[Z + i] = x, y, s[C1X + CENTRE_Z + i] - r * nz
        s[NX + i], s[NY + i], s[NZ + i] = nx, ny, nz
    for i in range(LANES):
        if s[MIRROR_1 + RADIUS + i] != s[MIRROR_1 + RADIUS_Y + i]:
            _place_on_toroid(s, i)
    for i in range(LANES):
        slope_x, slope_y = s[_SLOPE_X + i], s[_SLOPE_Y + i]
        norm = 1.0 / math.sqrt(1.0 + slope_x * slope_x + slope_y * slope_y)
        ux, uy, uz = slope_x * norm, slope_y * norm, norm
        s[UX + i], s[UY + i], s[UZ + i] = ux, uy, uz
        # e1 is the x axis made normal to the ray
        f = 1.0 / math.sqrt(1.0 - ux * ux)
        e1x, e1y, e1z = (1.0 - ux * ux) * f, -ux * uy * f, -ux * uz * f
        s[E1X + i], s[E1Y + i], s[E1Z + i] = e1x, e1y, e1z
        s[E2X + i] = uy * e1z - uz * e1y
        s[E2Y + i] = uz * e1x - ux * e1z
        s[E2Z + i] = ux * e1y - uy * e1x
    # the complex rays start along the principal axes of the beam, as long as it is wide:
    # X a rotation times diag(w), P = X diag(1/q)
    for i in range(LANES):
        c, sn = math.cos(s[_ANGLE + i]), math.sin(s[_ANGLE + i])
        s[XR11 + i], s[XR12 + i], s[XR21 + i], s[XR22 + i] = c, -sn, sn, c
    for i in range(LANES):
        s[XI11 + i], s[XI12 + i], s[XI21 + i], s[XI22 + i] = 0.0, 0.0, 0.0, 0.0
        per_w2 = math.pi / (s[_WAVELENGTH + i] * s[_M2 + i])
        re1, im1 = _per_q(s[_AHEAD_X + i], per_w2 * s[_WAIST_X + i] * s[_WAIST_X + i])
        re2, im2 = _per_q(s[_AHEAD_Y + i], per_w2 * s[_WAIST_Y + i] * s[_WAIST_Y + i])
        wide_1, wide_2 = math.sqrt(-1.0 / (per_w2 * im1)), math.sqrt(-1.0 / (per_w2 * im2))
        x11, x12 = wide_1 * s[XR11 + i], wide_2 * s[XR12 + i]
        x21, x22 = wide_1 * s[XR21 + i], wide_2 * s[XR22 + i]
        s[XR11 + i], s[XR12 + i], s[XR21 + i], s[XR22 + i] = x11, x12, x21, x22
        s[PR11 + i], s[PR12 + i] = re1 * x11, re2 * x12
        s[PR21 + i], s[PR22 + i] = re1 * x21, re2 * x22
        s[PI11 + i], s[PI12 + i] = im1 * x11, im2 * x12
        s[PI21 + i], s[PI22 + i] = im1 * x21, im2 * x22


@inlined
def _per_q(ahead: float, rayleigh: float) -> tuple[float, float]:
    """1/q, q = −(distance to the waist ahead) + i z_R, in real and imaginary part."""
    per = 1.0 / (ahead * ahead + rayleigh * rayleigh)
    return -ahead * per, -rayleigh * per


@inlined
def _centre_mirror(s: FloatArray, mirror: int, centre: int, towards: float) -> None:
    """Centre of curvature of each mirror, its vertex at z = 0, and 1/R."""
    for i in range(LANES):
        nx, ny, nz = vertex_normal(s[mirror + TILT_X + i], s[mirror + TILT_Y + i], towards)
        r = s[mirror + RADIUS + i]
        s[centre + CENTRE_X + i] = s[mirror + VERTEX_X + i] + r * nx
        s[centre + CENTRE_Y + i] = s[mirror + VERTEX_Y + i] + r * ny
        s[centre + CENTRE_Z + i] = r * nz
        s[centre + CURVATURE + i] = 1.0 / r


@compiled
def _place_on_toroid(s: FloatArray, i: int) -> None:
    """Move one beam, along z, to the surface of a toroidal M1."""
    m = MIRROR_1 + i
    vx, vy, vz = vertex_normal(s[m + TILT_X], s[m + TILT_Y], 1.0)
    met = meet_toroid(
        s[X + i], s[Y + i], 0.0, 0.0, 0.0, 1.0,
        s[m + RADIUS], s[m + RADIUS_Y], vx, vy, vz, s[m + VERTEX_X], s[m + VERTEX_Y], 0.0,
    )  # fmt: skip
    s[Z + i], s[NX + i], s[NY + i], s[NZ + i] = met[0], met[1], met[2], met[3]
