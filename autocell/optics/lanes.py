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
W = X B X† with B their values where X was real: no matrix need be inverted.
"""

from __future__ import annotations

import math

from autocell.optics.cell import FloatArray
from autocell.optics.compiled import compiled
from autocell.optics.rows import BEAM, M1, M2
from autocell.optics.toroid import meet_toroid

LANES = 16
STATE = 54 * LANES
"""Length of the state."""

(
    X, Y, Z,              # chief ray on the mirror
    UX, UY, UZ,           # its direction after the mirror
    E1X, E1Y, E1Z,        # transverse frame after the mirror
    E2X, E2Y, E2Z,
    XR11, XR12, XR21, XR22, XI11, XI12, XI21, XI22,  # complex displacements, real and imaginary
    PR11, PR12, PR21, PR22, PI11, PI12, PI21, PI22,  # complex slopes after the mirror
    B1, B2,               # squared radii per unit of X
    W11, W12, W22,        # squared radii on the mirror, across the beam
    K11, K12, K22,        # what the mirror took from P
    NX, NY, NZ, COS,      # normal of the mirror there, cosine of the incidence
    CHORD, PATH,          # length of this pass, and of all so far
    ARRIVING, POWER,      # share of the input in the beam before and after the mirror
    REACH,                # how far the footprint reaches
    SLACK,                # by how much the beam clears every edge; negative where it may not
    C1X, C1Y, C1Z, R1,    # centre of curvature and radius of M1
    C2X, C2Y, C2Z, R2,
) = range(0, STATE, LANES)  # fmt: skip


@compiled
def _normal(tilt_x: float, tilt_y: float, towards: float) -> tuple[float, float, float]:
    """Unit normal of a mirror at its vertex, leaning by the tilts; ``towards`` is ±1 along z."""
    norm = 1.0 / math.sqrt(1.0 + tilt_x * tilt_x + tilt_y * tilt_y)
    return tilt_x * norm, tilt_y * norm, towards * norm


@compiled
def place_beam(s: FloatArray, i: int, row: FloatArray) -> None:
    """Put the beam of one row into lane ``i``, where it crosses the surface of M1."""
    s[POWER + i], s[PATH + i], s[COS + i], s[CHORD + i] = 1.0, 0.0, 1.0, 0.0
    spacing = row[0]
    n1x, n1y, n1z = _normal(row[M1 + 4], row[M1 + 5], 1.0)
    n2x, n2y, n2z = _normal(row[M2 + 4], row[M2 + 5], -1.0)
    r1, r2 = row[M1], row[M2]
    s[R1 + i], s[R2 + i] = r1, r2
    s[C1X + i], s[C1Y + i], s[C1Z + i] = row[M1 + 6] + r1 * n1x, row[M1 + 7] + r1 * n1y, r1 * n1z
    s[C2X + i], s[C2Y + i] = row[M2 + 6] + r2 * n2x, row[M2 + 7] + r2 * n2y
    s[C2Z + i] = spacing + r2 * n2z

    x, y = row[BEAM], row[BEAM + 1]
    if row[M1] == row[M1 + 1]:
        nx, ny = (s[C1X + i] - x) / r1, (s[C1Y + i] - y) / r1
        nz = math.sqrt(1.0 - nx * nx - ny * ny)
        z = s[C1Z + i] - r1 * nz
    else:
        met = meet_toroid(
            x, y, 0.0, 0.0, 0.0, 1.0, r1, row[M1 + 1], n1x, n1y, n1z, row[M1 + 6], row[M1 + 7], 0.0
        )
        z, nx, ny, nz = met[0], met[1], met[2], met[3]
    s[X + i], s[Y + i], s[Z + i] = x, y, z
    s[NX + i], s[NY + i], s[NZ + i] = nx, ny, nz

    slope_x, slope_y = row[BEAM + 2], row[BEAM + 3]
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

    # the complex rays start along the principal axes of the beam: X a rotation, P = X diag(1/q)
    per_w2 = math.pi / (row[BEAM + 4] * row[BEAM + 10])
    q1 = 1.0 / complex(-row[BEAM + 7], per_w2 * row[BEAM + 5] ** 2)
    q2 = 1.0 / complex(-row[BEAM + 8], per_w2 * row[BEAM + 6] ** 2)
    c, sn = math.cos(row[BEAM + 9]), math.sin(row[BEAM + 9])
    s[XR11 + i], s[XR12 + i], s[XR21 + i], s[XR22 + i] = c, -sn, sn, c
    s[XI11 + i], s[XI12 + i], s[XI21 + i], s[XI22 + i] = 0.0, 0.0, 0.0, 0.0
    s[PR11 + i], s[PR12 + i] = q1.real * c, -q2.real * sn
    s[PR21 + i], s[PR22 + i] = q1.real * sn, q2.real * c
    s[PI11 + i], s[PI12 + i] = q1.imag * c, -q2.imag * sn
    s[PI21 + i], s[PI22 + i] = q1.imag * sn, q2.imag * c
    b1, b2 = -1.0 / (per_w2 * q1.imag), -1.0 / (per_w2 * q2.imag)
    s[B1 + i], s[B2 + i] = b1, b2
    s[W11 + i] = b1 * c * c + b2 * sn * sn
    s[W12 + i] = (b1 - b2) * c * sn
    s[W22 + i] = b1 * sn * sn + b2 * c * c


@compiled
def cross_to_sphere(s: FloatArray, CX: int, CY: int, CZ: int, R: int, towards: float) -> None:
    """Every beam crosses to a spherical mirror and is reflected, back along ``towards`` (±1) z."""
    for i in range(LANES):
        px, py, pz = s[X + i], s[Y + i], s[Z + i]
        ux, uy, uz = s[UX + i], s[UY + i], s[UZ + i]
        r = s[R + i]
        # q from the centre of curvature to the ray; the far root of |q + t u| = R
        qx, qy, qz = px - s[CX + i], py - s[CY + i], pz - s[CZ + i]
        b = ux * qx + uy * qy + uz * qz
        root = math.sqrt(b * b - (qx * qx + qy * qy + qz * qz) + r * r)
        t = root - b
        s[X + i], s[Y + i], s[Z + i] = px + t * ux, py + t * uy, pz + t * uz
        s[CHORD + i] = t
        s[PATH + i] += t
        nx, ny, nz = -(qx + t * ux) / r, -(qy + t * uy) / r, -(qz + t * uz) / r
        cos_i = -(ux * nx + uy * ny + uz * nz)
        s[NX + i], s[NY + i], s[NZ + i], s[COS + i] = nx, ny, nz, cos_i
        ux, uy = ux + 2.0 * cos_i * nx, uy + 2.0 * cos_i * ny
        # back to unit length, or rounding would grow exponentially; in z, where the last digit of
        # the direction turns it least
        s[UX + i], s[UY + i], s[UZ + i] = ux, uy, towards * math.sqrt(1.0 - ux * ux - uy * uy)

        n1 = nx * s[E1X + i] + ny * s[E1Y + i] + nz * s[E1Z + i]
        n2 = nx * s[E2X + i] + ny * s[E2Y + i] + nz * s[E2Z + i]
        k = 2.0 / r
        s[K11 + i] = k * (cos_i + n1 * n1 / cos_i)
        s[K12 + i] = k * (n1 * n2 / cos_i)
        s[K22 + i] = k * (cos_i + n2 * n2 / cos_i)
    _carry_beam(s)


@compiled
def cross_to_toroid(s: FloatArray, rows: FloatArray, count: int, mirror: int) -> None:
    """As :func:`cross_to_sphere`, for mirrors with unequal radii in x and y, beam by beam."""
    towards = -1.0 if mirror == M2 else 1.0
    for i in range(count):
        row = rows[i]
        normal_x, normal_y, normal_z = _normal(row[mirror + 4], row[mirror + 5], towards)
        vertex_z = row[0] if mirror == M2 else 0.0
        ux, uy, uz = s[UX + i], s[UY + i], s[UZ + i]
        (t, nx, ny, nz, ax, ay, az, bx, by, bz, zxx, zxy, zyy) = meet_toroid(
            s[X + i], s[Y + i], s[Z + i], ux, uy, uz,
            row[mirror], row[mirror + 1], normal_x, normal_y, normal_z,
            row[mirror + 6], row[mirror + 7], vertex_z,
        )  # fmt: skip
        s[X + i] += t * ux
        s[Y + i] += t * uy
        s[Z + i] += t * uz
        s[CHORD + i] = t
        s[PATH + i] += t
        cos_i = -(ux * nx + uy * ny + uz * nz)
        s[NX + i], s[NY + i], s[NZ + i], s[COS + i] = nx, ny, nz, cos_i

        # e_j slid along the ray onto the tangent plane, in the mirror's local axes a and b
        e1x, e1y, e1z = s[E1X + i], s[E1Y + i], s[E1Z + i]
        e2x, e2y, e2z = s[E2X + i], s[E2Y + i], s[E2Z + i]
        g1 = (nx * e1x + ny * e1y + nz * e1z) / cos_i
        g2 = (nx * e2x + ny * e2y + nz * e2z) / cos_i
        t1x, t1y, t1z = e1x + g1 * ux, e1y + g1 * uy, e1z + g1 * uz
        t2x, t2y, t2z = e2x + g2 * ux, e2y + g2 * uy, e2z + g2 * uz
        a1, b1 = t1x * ax + t1y * ay + t1z * az, t1x * bx + t1y * by + t1z * bz
        a2, b2 = t2x * ax + t2y * ay + t2z * az, t2x * bx + t2y * by + t2z * bz
        k = 2.0 * cos_i
        s[K11 + i] = k * (zxx * a1 * a1 + 2.0 * zxy * a1 * b1 + zyy * b1 * b1)
        s[K12 + i] = k * (zxx * a1 * a2 + zxy * (a1 * b2 + a2 * b1) + zyy * b1 * b2)
        s[K22 + i] = k * (zxx * a2 * a2 + 2.0 * zxy * a2 * b2 + zyy * b2 * b2)

        ux, uy = ux + 2.0 * cos_i * nx, uy + 2.0 * cos_i * ny
        s[UX + i], s[UY + i], s[UZ + i] = ux, uy, towards * math.sqrt(1.0 - ux * ux - uy * uy)
    _carry_beam(s)


@compiled
def _carry_beam(s: FloatArray) -> None:
    """Carry complex rays, frame and spot of every beam over the chord and off the mirror."""
    for i in range(LANES):
        t = s[CHORD + i]
        k11, k12, k22 = s[K11 + i], s[K12 + i], s[K22 + i]
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

        b1, b2 = s[B1 + i], s[B2 + i]
        s[W11 + i] = b1 * (r11 * r11 + i11 * i11) + b2 * (r12 * r12 + i12 * i12)
        s[W12 + i] = b1 * (r11 * r21 + i11 * i21) + b2 * (r12 * r22 + i12 * i22)
        s[W22 + i] = b1 * (r21 * r21 + i21 * i21) + b2 * (r22 * r22 + i22 * i22)

    for i in range(LANES):
        nx, ny, nz = s[NX + i], s[NY + i], s[NZ + i]
        ex, ey, ez = s[E1X + i], s[E1Y + i], s[E1Z + i]
        twice = 2.0 * (nx * ex + ny * ey + nz * ez)
        s[E1X + i], s[E1Y + i], s[E1Z + i] = ex - twice * nx, ey - twice * ny, ez - twice * nz
        ex, ey, ez = s[E2X + i], s[E2Y + i], s[E2Z + i]
        twice = 2.0 * (nx * ex + ny * ey + nz * ez)
        s[E2X + i], s[E2Y + i], s[E2Z + i] = ex - twice * nx, ey - twice * ny, ez - twice * nz
