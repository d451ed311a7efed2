"""Many beams side by side, one pass at a time.

The state of :data:`LANES` beams lies in one flat array, quantity by quantity: entry ``X + i`` is
the x of beam ``i``. A step is written as the formulas for one beam inside a loop over the lanes,
with no branch in it; the compiler then does four or eight beams at once.

The chief ray is traced exactly through three dimensions. The beam around it is carried as two
complex rays, the columns of the 2×2 matrices X (displacement) and P (slope) in a transverse frame
(e1, e2) that the mirrors carry along; their quotient is the complex curvature matrix

    Q⁻¹ = P X⁻¹,    field ∝ exp(−i π/λ · rᵀ Q⁻¹ r)

(Arnaud & Kogelnik, Appl. Opt. 8, 1687 (1969), from memory). Free space of length t adds t P to X;
a mirror takes K X from P, where K is twice its curvature as seen along the ray: for a sphere that
is f = (R/2) cos i in the plane of incidence and f = R/(2 cos i) across it. Both steps are linear,
so nothing is divided, nothing grows, and the round beam is no special case.

Im(X†P) is conserved, so that the squared radii W of the beam, intensity exp(−2 rᵀ W⁻¹ r), are
W = X X† everywhere once the columns of X are as long as the beam is wide where X is real: no matrix
need be inverted.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from autocell.optics.cell import FloatArray
from autocell.optics.compiled import compiled, inlined
from autocell.optics.rows import M1, M2
from autocell.optics.toroid import meet_toroid

LANES = 16

IntArray = NDArray[np.int64]

(
    X, Y, Z,              # chief ray on the mirror
    UX, UY, UZ,           # its direction after the mirror
    E1X, E1Y, E1Z,        # transverse frame after the mirror
    E2X, E2Y, E2Z,
    XR11, XR12, XR21, XR22, XI11, XI12, XI21, XI22,  # complex displacements, real and imaginary
    PR11, PR12, PR21, PR22, PI11, PI12, PI21, PI22,  # complex slopes after the mirror
    K11, K12, K22,        # what the mirror took from P
    NX, NY, NZ, COS,      # normal of the mirror there, cosine of the incidence
    CHORD, PATH,          # length of this pass, and of all so far
    ARRIVING, POWER,      # share of the input in the beam before and after the mirror
    REACH,                # how far the footprint may reach
    SLACK,                # positive where the footprint is clear of every edge
    C1X, C1Y, C1Z, PER_R1,  # centre of curvature of M1 and 1/R
    C2X, C2Y, C2Z, PER_R2,
    PARAMETERS,           # what COLUMNS says of the cell and its input beam, up to the end
) = range(0, 50 * LANES, LANES)  # fmt: skip

RADIUS, RADIUS_Y, APERTURE, REFLECTIVITY, TILT_X, TILT_Y, VERTEX_X, VERTEX_Y = range(
    0, 8 * LANES, LANES
)
"""Numbers of a mirror, counted from where its own begin: :data:`MIRROR_1` or :data:`MIRROR_2`."""

MIRROR_1, MIRROR_2 = PARAMETERS + M1 * LANES, PARAMETERS + M2 * LANES
CENTRE_X, CENTRE_Y, CENTRE_Z, CURVATURE = range(0, 4 * LANES, LANES)
"""Counted from C1X or C2X."""


@compiled
def vertex_normal(tilt_x: float, tilt_y: float, towards: float) -> tuple[float, float, float]:
    """Unit normal of a mirror at its vertex, leaning by the tilts; ``towards`` is ±1 along z."""
    norm = 1.0 / math.sqrt(1.0 + tilt_x * tilt_x + tilt_y * tilt_y)
    return tilt_x * norm, tilt_y * norm, towards * norm


@inlined
def cross_to_sphere(s: FloatArray, mirror: int, centre: int, towards: float, far: float) -> None:
    """Every beam crosses to a spherical mirror and is reflected, back along ``towards`` (±1) z.

    ``mirror`` and ``centre`` are where its numbers begin; they must be constants where this is
    called, or the compiler cannot know that lanes do not overlap. A footprint reaches ``far``
    large beam radii.
    """
    for i in range(LANES):
        px, py, pz = s[X + i], s[Y + i], s[Z + i]
        ux, uy, uz = s[UX + i], s[UY + i], s[UZ + i]
        r, curvature = s[mirror + RADIUS + i], s[centre + CURVATURE + i]
        # q from the centre of curvature to the ray; the far root of |q + t u| = R
        qx, qy, qz = (
            px - s[centre + CENTRE_X + i],
            py - s[centre + CENTRE_Y + i],
            pz - s[centre + CENTRE_Z + i],
        )
        b = ux * qx + uy * qy + uz * qz
        root = math.sqrt(b * b - (qx * qx + qy * qy + qz * qz) + r * r)
        t = root - b
        s[X + i], s[Y + i], s[Z + i] = px + t * ux, py + t * uy, pz + t * uz
        nx, ny, nz = (
            -curvature * (qx + t * ux),
            -curvature * (qy + t * uy),
            -curvature * (qz + t * uz),
        )
        cos_i = curvature * root
        n1, n2 = _reflect(s, i, nx, ny, nz, cos_i, towards)
        k, per_cos = 2.0 * curvature, 1.0 / cos_i
        k11 = k * (cos_i + n1 * n1 * per_cos)
        k12 = k * (n1 * n2 * per_cos)
        k22 = k * (cos_i + n2 * n2 * per_cos)
        _carry_beam(s, i, mirror, t, k11, k12, k22, far * per_cos)


@compiled
def cross_to_toroid(s: FloatArray, beam: IntArray, mirror: int, towards: float, far: float) -> None:
    """As :func:`cross_to_sphere`, for mirrors with unequal radii in x and y, beam by beam. Lanes
    whose ``beam`` is negative are nobody's, and stay as they are."""
    for i in range(LANES):
        if beam[i] < 0:
            continue
        vertex_z = s[PARAMETERS + i] if mirror == MIRROR_2 else 0.0
        ux, uy, uz = s[UX + i], s[UY + i], s[UZ + i]
        normal_x, normal_y, normal_z = vertex_normal(
            s[mirror + TILT_X + i], s[mirror + TILT_Y + i], towards
        )
        (t, nx, ny, nz, ax, ay, az, bx, by, bz, zxx, zxy, zyy) = meet_toroid(
            s[X + i], s[Y + i], s[Z + i], ux, uy, uz,
            s[mirror + RADIUS + i], s[mirror + RADIUS_Y + i], normal_x, normal_y, normal_z,
            s[mirror + VERTEX_X + i], s[mirror + VERTEX_Y + i], vertex_z,
        )  # fmt: skip
        s[X + i] += t * ux
        s[Y + i] += t * uy
        s[Z + i] += t * uz
        cos_i = -(ux * nx + uy * ny + uz * nz)

        # e_j slid along the ray onto the tangent plane, in the mirror's local axes a and b
        e1x, e1y, e1z = s[E1X + i], s[E1Y + i], s[E1Z + i]
        e2x, e2y, e2z = s[E2X + i], s[E2Y + i], s[E2Z + i]
        g1 = (nx * e1x + ny * e1y + nz * e1z) / cos_i
        g2 = (nx * e2x + ny * e2y + nz * e2z) / cos_i
        t1x, t1y, t1z = e1x + g1 * ux, e1y + g1 * uy, e1z + g1 * uz
        t2x, t2y, t2z = e2x + g2 * ux, e2y + g2 * uy, e2z + g2 * uz
        a1, b1 = t1x * ax + t1y * ay + t1z * az, t1x * bx + t1y * by + t1z * bz
        a2, b2 = t2x * ax + t2y * ay + t2z * az, t2x * bx + t2y * by + t2z * bz
        _reflect(s, i, nx, ny, nz, cos_i, towards)
        k = 2.0 * cos_i
        k11 = k * (zxx * a1 * a1 + 2.0 * zxy * a1 * b1 + zyy * b1 * b1)
        k12 = k * (zxx * a1 * a2 + zxy * (a1 * b2 + a2 * b1) + zyy * b1 * b2)
        k22 = k * (zxx * a2 * a2 + 2.0 * zxy * a2 * b2 + zyy * b2 * b2)
        _carry_beam(s, i, mirror, t, k11, k12, k22, far / cos_i)


@inlined
def _reflect(
    s: FloatArray, i: int, nx: float, ny: float, nz: float, cos_i: float, towards: float
) -> tuple[float, float]:
    """Turn direction and frame of one beam by the mirror's normal n; (n·e1, n·e2) before it."""
    s[NX + i], s[NY + i], s[NZ + i], s[COS + i] = nx, ny, nz, cos_i
    twice = 2.0 * cos_i
    ux, uy, uz = s[UX + i] + twice * nx, s[UY + i] + twice * ny, s[UZ + i] + twice * nz
    # back to unit length, or rounding would grow exponentially; in z, where the last digit of
    # the direction turns it least. Per pass a deviation shrinks by 1 − |uz|: no root is needed
    uz += 0.5 * towards * (1.0 - ux * ux - uy * uy - uz * uz)
    s[UX + i], s[UY + i], s[UZ + i] = ux, uy, uz

    e1x, e1y, e1z = s[E1X + i], s[E1Y + i], s[E1Z + i]
    e2x, e2y, e2z = s[E2X + i], s[E2Y + i], s[E2Z + i]
    n1 = nx * e1x + ny * e1y + nz * e1z
    n2 = nx * e2x + ny * e2y + nz * e2z
    twice = 2.0 * n1
    s[E1X + i], s[E1Y + i], s[E1Z + i] = e1x - twice * nx, e1y - twice * ny, e1z - twice * nz
    twice = 2.0 * n2
    s[E2X + i], s[E2Y + i], s[E2Z + i] = e2x - twice * nx, e2y - twice * ny, e2z - twice * nz
    return n1, n2


@inlined
def _carry_beam(
    s: FloatArray, i: int, mirror: int, t: float, k11: float, k12: float, k22: float, far: float
) -> None:
    """Carry complex rays and power of one beam over the chord t and off the mirror.

    A footprint reaches ``far`` large radii of the beam.
    """
    s[CHORD + i] = t
    s[PATH + i] += t
    s[K11 + i], s[K12 + i], s[K22 + i] = k11, k12, k22
    p11, p12, p21, p22 = s[PR11 + i], s[PR12 + i], s[PR21 + i], s[PR22 + i]
    r11, r12 = s[XR11 + i] + t * p11, s[XR12 + i] + t * p12
    r21, r22 = s[XR21 + i] + t * p21, s[XR22 + i] + t * p22
    s[XR11 + i], s[XR12 + i], s[XR21 + i], s[XR22 + i] = r11, r12, r21, r22
    s[PR11 + i], s[PR12 + i] = p11 - (k11 * r11 + k12 * r21), p12 - (k11 * r12 + k12 * r22)
    s[PR21 + i], s[PR22 + i] = p21 - (k12 * r11 + k22 * r21), p22 - (k12 * r12 + k22 * r22)

    p11, p12, p21, p22 = s[PI11 + i], s[PI12 + i], s[PI21 + i], s[PI22 + i]
    i11, i12 = s[XI11 + i] + t * p11, s[XI12 + i] + t * p12
    i21, i22 = s[XI21 + i] + t * p21, s[XI22 + i] + t * p22
    s[XI11 + i], s[XI12 + i], s[XI21 + i], s[XI22 + i] = i11, i12, i21, i22
    s[PI11 + i], s[PI12 + i] = p11 - (k11 * i11 + k12 * i21), p12 - (k11 * i12 + k12 * i22)
    s[PI21 + i], s[PI22 + i] = p21 - (k12 * i11 + k22 * i21), p22 - (k12 * i12 + k22 * i22)

    w11, w12, w22 = squared_radii(s, i)
    # at least the large squared radius, and no more where an axis lies along e1 or e2
    large = 0.5 * (w11 + w22 + abs(w11 - w22)) + abs(w12)
    reach = far * math.sqrt(large)
    ox, oy = s[X + i] - s[mirror + VERTEX_X + i], s[Y + i] - s[mirror + VERTEX_Y + i]
    inner = s[mirror + APERTURE + i] - reach
    s[REACH + i] = reach
    s[SLACK + i] = inner * abs(inner) - ox * ox - oy * oy
    power = s[POWER + i]
    s[ARRIVING + i] = power
    s[POWER + i] = power * s[mirror + REFLECTIVITY + i]


@inlined
def clear_hole(s: FloatArray, mirror: int, hole: int) -> None:
    """Leave each beam the slack that a hole of the mirror leaves it; x, y, radius from ``hole``."""
    for i in range(LANES):
        hx = s[X + i] - s[mirror + VERTEX_X + i] - s[hole + i]
        hy = s[Y + i] - s[mirror + VERTEX_Y + i] - s[hole + LANES + i]
        outer = s[hole + 2 * LANES + i] + s[REACH + i]
        s[SLACK + i] = min(s[SLACK + i], hx * hx + hy * hy - outer * outer)


@inlined
def squared_radii(s: FloatArray, i: int) -> tuple[float, float, float]:
    """W11, W12, W22 of beam ``i`` across it, in its frame."""
    r11, r12, r21, r22 = s[XR11 + i], s[XR12 + i], s[XR21 + i], s[XR22 + i]
    i11, i12, i21, i22 = s[XI11 + i], s[XI12 + i], s[XI21 + i], s[XI22 + i]
    return (
        r11 * r11 + i11 * i11 + r12 * r12 + i12 * i12,
        r11 * r21 + i11 * i21 + r12 * r22 + i12 * i22,
        r21 * r21 + i21 * i21 + r22 * r22 + i22 * i22,
    )
