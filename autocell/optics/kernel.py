"""The inner loop: one cell, one ray, every pass. Compiled, free of the interpreter lock.

One row of parameters describes one cell and its input beam (:data:`COLUMNS`). The chief ray is
traced exactly through three dimensions. The beam around it is carried as two complex rays,
the columns of the 2×2 matrices X (displacement) and P (slope) in a transverse frame (e1, e2)
that the mirrors carry along; their quotient is the complex curvature matrix

    Q⁻¹ = P X⁻¹,    field ∝ exp(−i π/λ · rᵀ Q⁻¹ r)

(Arnaud & Kogelnik, Appl. Opt. 8, 1687 (1969), from memory). Free space of length t adds t P to
X; a mirror adds −2 cos i · K X to P, with K its second fundamental form seen along the ray: for a
sphere that is f = (R/2) cos i in the plane of incidence and f = R/(2 cos i) across it. Both steps
are linear, so nothing is divided, nothing grows, and the round beam is no special case.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypeVar, cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

from autocell.optics.cell import FloatArray

_F = TypeVar("_F", bound=Callable[..., object])


def compiled(function: _F) -> _F:
    """Compile at the first call, keep the result on disk; type checkers see the plain function.

    Compiled functions release the interpreter lock, and dividing by zero gives what IEEE 754 says.
    """
    return cast(_F, njit(cache=True, nogil=True, error_model="numpy")(function))

_MIRROR = (
    "radius_x_m",
    "radius_y_m",
    "aperture_radius_m",
    "reflectivity",
    "tilt_x_rad",
    "tilt_y_rad",
    "decentre_x_m",
    "decentre_y_m",
)
_BEAM = (
    "x_m",
    "y_m",
    "slope_x",
    "slope_y",
    "wavelength_m",
    "waist_x_m",
    "waist_y_m",
    "waist_distance_x_m",
    "waist_distance_y_m",
    "ellipse_angle_rad",
    "beam_quality",
)
_DETECTOR = ("radius_m", "distance_m", "x_m", "y_m")

COLUMNS: tuple[tuple[str, str], ...] = (
    ("cell", "spacing_m"),
    *(("entrance_mirror", name) for name in _MIRROR),
    *(("far_mirror", name) for name in _MIRROR),
    *(("beam", name) for name in _BEAM),
    *(("detector", name) for name in _DETECTOR),
)
"""What each column of a parameter row holds; three more follow for each hole: x, y, radius."""

_M1, _M2 = 1, 1 + len(_MIRROR)
_IN = _M2 + len(_MIRROR)
_DET = _IN + len(_BEAM)
HOLES = _DET + len(_DETECTOR)
"""First column of the first hole."""

SPOT_COLUMNS = (
    "x_m", "y_m", "z_m",
    "ux", "uy", "uz",
    "incidence_rad",
    "sxx", "sxy", "syy",
    "arriving", "beyond_edge",
    "chord_m",
)  # fmt: skip
"""What is kept of each arrival at a mirror: where, the direction after it, the footprint, power."""

_FAR = 4.2  # beam radii beyond which a round edge takes less than 1e-15


@compiled
def through_circle(
    sxx: float, sxy: float, syy: float, dx: float, dy: float, a: float
) -> float:
    """Fraction of exp(−2 ρᵀSρ) inside the circle of radius ``a`` centred ``(dx, dy)`` away.

    In coordinates whitened by S the enclosed fraction is (1/2π)∮(1 − e^{−2ρᵀSρ}) dψ around the
    edge. The integrand is entire and periodic, so that the trapezoidal rule converges
    geometrically; the number of nodes follows the edge length in beam radii.
    """
    trace = 0.5 * (sxx + syy)
    split = math.sqrt((0.5 * (sxx - syy)) ** 2 + sxy * sxy)
    w_max = 1.0 / math.sqrt(trace - split)
    distance = math.sqrt(dx * dx + dy * dy)
    if distance - a > _FAR * w_max:
        return 0.0
    if a - distance > _FAR * w_max:
        return 1.0
    nodes = 16 + int(14.0 * a * math.sqrt(trace + split))
    c, s = 1.0, 0.0
    turn_c, turn_s = math.cos(2.0 * math.pi / nodes), math.sin(2.0 * math.pi / nodes)
    total = 0.0
    for _ in range(nodes):
        x, y = dx + a * c, dy + a * s
        v = 2.0 * (sxx * x * x + 2.0 * sxy * x * y + syy * y * y)
        if v > 40.0:  # e⁻⁴⁰ is nothing beside one
            weight = 1.0 / v
        elif v > 1e-9:
            weight = (1.0 - math.exp(-v)) / v
        else:
            weight = 1.0 - 0.5 * v
        total += weight * (dx * c + dy * s + a)
        c, s = c * turn_c - s * turn_s, s * turn_c + c * turn_s
    area = math.sqrt(sxx * syy - sxy * sxy)
    return 2.0 * a * area * total / nodes


@compiled
def through_circles(rows: FloatArray, fractions: FloatArray) -> None:
    """:func:`through_circle` of each row (Sxx, Sxy, Syy, Δx, Δy, a) into ``fractions``."""
    for i in range(rows.shape[0]):
        r = rows[i]
        fractions[i] = through_circle(r[0], r[1], r[2], r[3], r[4], r[5])


@compiled
def _normal(tilt_x, tilt_y, towards):
    """Unit normal of a mirror at its vertex, leaning by the tilts; ``towards`` is ±1 along z."""
    norm = 1.0 / math.sqrt(1.0 + tilt_x * tilt_x + tilt_y * tilt_y)
    return tilt_x * norm, tilt_y * norm, towards * norm


@compiled
def _sag(x, y, cx, cy):
    """Height, slopes and second derivatives of a surface with curvatures cx, cy.

    z = (cx x² + cy y²) / (1 + √(1 − cx² x² − cy² y²)): a sphere when cx = cy.
    """
    ax, ay = cx * cx, cy * cy
    root = math.sqrt(1.0 - ax * x * x - ay * y * y)
    top, bottom = cx * x * x + cy * y * y, 1.0 + root
    rx, ry = -ax * x / root, -ay * y / root
    rxx = -(ax + rx * rx) / root
    ryy = -(ay + ry * ry) / root
    rxy = -rx * ry / root
    z = top / bottom
    zx = (2.0 * cx * x - z * rx) / bottom
    zy = (2.0 * cy * y - z * ry) / bottom
    zxx = (2.0 * cx - 2.0 * zx * rx - z * rxx) / bottom
    zyy = (2.0 * cy - 2.0 * zy * ry - z * ryy) / bottom
    zxy = (-zx * ry - zy * rx - z * rxy) / bottom
    return z, zx, zy, zxx, zxy, zyy


@compiled
def _meet_toroid(px, py, pz, ux, uy, uz, rx, ry, nx, ny, nz, vx, vy, vz):
    """Where a ray meets a toroidal mirror with vertex v and vertex normal n.

    Returns the chord length t, the unit normal into the cell, and the mirror's local axes
    x̂, ŷ with the second derivatives of its surface (for the second fundamental form).
    """
    # local axes: x̂ is the lab's x axis made normal to n, ŷ completes a right-handed set
    fx = 1.0 / math.sqrt(1.0 - nx * nx)
    xx, xy, xz = (1.0 - nx * nx) * fx, -nx * ny * fx, -nx * nz * fx
    yx, yy, yz = ny * xz - nz * xy, nz * xx - nx * xz, nx * xy - ny * xx
    qx, qy, qz = px - vx, py - vy, pz - vz
    lx, ly, lz = qx * xx + qy * xy + qz * xz, qx * yx + qy * yy + qz * yz, qx * nx + qy * ny + qz * nz
    dx, dy, dz = ux * xx + uy * xy + uz * xz, ux * yx + uy * yy + uz * yz, ux * nx + uy * ny + uz * nz
    cx, cy = 1.0 / rx, 1.0 / ry
    t = -lz / dz
    for _ in range(12):
        z, zx, zy, zxx, zxy, zyy = _sag(lx + t * dx, ly + t * dy, cx, cy)
        step = (lz + t * dz - z) / (dz - zx * dx - zy * dy)
        t -= step
        if not abs(step) > 1e-15:  # also ends on NaN: the ray misses
            break
    z, zx, zy, zxx, zxy, zyy = _sag(lx + t * dx, ly + t * dy, cx, cy)
    norm = 1.0 / math.sqrt(1.0 + zx * zx + zy * zy)
    mx = (nx - zx * xx - zy * yx) * norm
    my = (ny - zx * xy - zy * yy) * norm
    mz = (nz - zx * xz - zy * yz) * norm
    return t, mx, my, mz, xx, xy, xz, yx, yy, yz, zxx * norm, zxy * norm, zyy * norm


@compiled
def _ellipse(x11, x12, x21, x22, b1, b2):
    """Squared radii W of the beam, W = X B X†: intensity exp(−2 rᵀ W⁻¹ r).

    Im(X†P) is conserved along the path, so that −Im(P X⁻¹) = X⁻† (−Im Q₀⁻¹) X⁻¹, and with B the
    squared radii where X is real no matrix need be inverted.
    """
    w11 = b1 * _square(x11) + b2 * _square(x12)
    w22 = b1 * _square(x21) + b2 * _square(x22)
    w12 = b1 * (x11.real * x21.real + x11.imag * x21.imag) + b2 * (
        x12.real * x22.real + x12.imag * x22.imag
    )
    return w11, w12, w22


@compiled
def _square(x):
    """|x|² of a complex number."""
    return x.real * x.real + x.imag * x.imag


@compiled
def _seen_in_plane(w11, w12, w22, j11, j12, j21, j22):
    """S of the intensity exp(−2 ρᵀSρ) in a plane where a step ρ is the step J ρ across the beam."""
    scale = 1.0 / (w11 * w22 - w12 * w12)
    a11, a12, a22 = w22 * scale, -w12 * scale, w11 * scale
    return (
        a11 * j11 * j11 + 2.0 * a12 * j11 * j21 + a22 * j21 * j21,
        a11 * j11 * j12 + a12 * (j11 * j22 + j12 * j21) + a22 * j21 * j22,
        a11 * j12 * j12 + 2.0 * a12 * j12 * j22 + a22 * j22 * j22,
    )


@compiled
def follow(row, hole_on_far, exit_far, passes, floor, spots, leaks, tally):
    """Follow one beam for at most ``passes`` passes, or until less than ``floor`` of it is left.

    ``spots`` (passes + 1, len(SPOT_COLUMNS)) and ``leaks`` (passes + 1, holes) are filled when
    they have rows, else left alone. ``tally`` receives: power on the detector, the pass that
    carries most of it, that pass's power, path length of that pass, passes followed,
    power-weighted mean passes.
    """
    d = row[0]
    holes = hole_on_far.size
    keep = spots.shape[0] > 0

    wavelength, quality = row[_IN + 4], row[_IN + 10]
    scale = math.pi / (wavelength * quality)

    # direction and place of the chief ray where it enters
    sx, sy = row[_IN + 2], row[_IN + 3]
    norm = 1.0 / math.sqrt(1.0 + sx * sx + sy * sy)
    ux, uy, uz = sx * norm, sy * norm, norm
    px, py = row[_IN], row[_IN + 1]
    nx, ny, nz = _normal(row[_M1 + 4], row[_M1 + 5], 1.0)
    rx, ry = row[_M1], row[_M1 + 1]
    if rx == ry:
        cx, cy, cz = row[_M1 + 6] + rx * nx, row[_M1 + 7] + rx * ny, rx * nz
        pz = cz - math.sqrt(rx * rx - (px - cx) ** 2 - (py - cy) ** 2)
    else:
        pz = _meet_toroid(
            px, py, 0.0, 0.0, 0.0, 1.0, rx, ry, nx, ny, nz, row[_M1 + 6], row[_M1 + 7], 0.0
        )[0]

    # transverse frame: e1 is the lab's x axis made normal to the ray
    f = 1.0 / math.sqrt(1.0 - ux * ux)
    e1x, e1y, e1z = (1.0 - ux * ux) * f, -ux * uy * f, -ux * uz * f
    e2x, e2y, e2z = uy * e1z - uz * e1y, uz * e1x - ux * e1z, ux * e1y - uy * e1x

    # the two complex rays start along the principal axes of the beam
    zr_x = scale * row[_IN + 5] ** 2
    zr_y = scale * row[_IN + 6] ** 2
    qx = 1.0 / complex(-row[_IN + 7], zr_x)
    qy = 1.0 / complex(-row[_IN + 8], zr_y)
    ca, sa = math.cos(row[_IN + 9]), math.sin(row[_IN + 9])
    x11, x12, x21, x22 = complex(ca), complex(-sa), complex(sa), complex(ca)
    p11, p12, p21, p22 = qx * ca, -qy * sa, qx * sa, qy * ca
    b1, b2 = -1.0 / (scale * qx.imag), -1.0 / (scale * qy.imag)

    # what gets in through the entrance hole (footprint seen along z)
    w11, w12, w22 = _ellipse(x11, x12, x21, x22, b1, b2)
    s11, s12, s22 = _seen_in_plane(w11, w12, w22, e1x, e1y, e2x, e2y)
    power = through_circle(
        s11, s12, s22, row[HOLES] + row[_M1 + 6] - px, row[HOLES + 1] + row[_M1 + 7] - py,
        row[HOLES + 2],
    )  # fmt: skip

    if keep:
        s = spots[0]
        s[0], s[1], s[2], s[3], s[4], s[5], s[6] = px, py, pz, ux, uy, uz, 0.0
        s[7], s[8], s[9], s[10], s[11], s[12] = s11, s12, s22, 1.0, 1.0 - power, 0.0

    total = 0.0
    weighted = 0.0
    best, best_power, best_path = 0, 0.0, 0.0
    path = 0.0
    n = 0
    while n < passes:
        n += 1
        on_far = n % 2 == 1
        m = _M2 if on_far else _M1
        rx, ry = row[m], row[m + 1]
        towards = -1.0 if on_far else 1.0
        vx, vy, vz = row[m + 6], row[m + 7], d if on_far else 0.0
        nx, ny, nz = _normal(row[m + 4], row[m + 5], towards)

        if rx == ry:
            # sphere: q from the centre of curvature to the ray, far root of |q + t u| = R
            qx_, qy_, qz_ = px - vx - rx * nx, py - vy - rx * ny, pz - vz - rx * nz
            b = ux * qx_ + uy * qy_ + uz * qz_
            root = math.sqrt(b * b - (qx_ * qx_ + qy_ * qy_ + qz_ * qz_) + rx * rx)
            t = root - b
            mx, my, mz = -(qx_ + t * ux) / rx, -(qy_ + t * uy) / rx, -(qz_ + t * uz) / rx
        else:
            (t, mx, my, mz, ax, ay, az, bx, by, bz, zxx, zxy, zyy) = _meet_toroid(
                px, py, pz, ux, uy, uz, rx, ry, nx, ny, nz, vx, vy, vz
            )
        if not t > 0.0:  # NaN: the ray passes beside the mirror
            break
        px, py, pz = px + t * ux, py + t * uy, pz + t * uz
        path += t
        x11, x12, x21, x22 = x11 + t * p11, x12 + t * p12, x21 + t * p21, x22 + t * p22

        cos_i = -(ux * mx + uy * my + uz * mz)
        m1 = mx * e1x + my * e1y + mz * e1z
        m2 = mx * e2x + my * e2y + mz * e2z

        # footprint in the mirror's x, y: a step (ξ, η) there is a step along the tangent plane
        gx, gy = -mx / mz, -my / mz
        j11, j12, j21, j22 = e1x + e1z * gx, e1y + e1z * gy, e2x + e2z * gx, e2y + e2z * gy
        w11, w12, w22 = _ellipse(x11, x12, x21, x22, b1, b2)
        reach = _FAR * math.sqrt(w11 + w22) / cos_i  # no light beyond: spares most of the edges
        if keep:
            fxx, fxy, fyy = _seen_in_plane(w11, w12, w22, j11, j12, j21, j22)

        inside = 1.0
        ox, oy = vx - px, vy - py
        if math.sqrt(ox * ox + oy * oy) + reach > row[m + 2]:
            fxx, fxy, fyy = _seen_in_plane(w11, w12, w22, j11, j12, j21, j22)
            inside = through_circle(fxx, fxy, fyy, ox, oy, row[m + 2])
        gone = 0.0
        for h in range(holes):
            if hole_on_far[h] != on_far:
                continue
            c = HOLES + 3 * h
            hx, hy, hole_radius = ox + row[c], oy + row[c + 1], row[c + 2]
            if math.sqrt(hx * hx + hy * hy) > hole_radius + reach:
                continue
            fxx, fxy, fyy = _seen_in_plane(w11, w12, w22, j11, j12, j21, j22)
            part = through_circle(fxx, fxy, fyy, hx, hy, hole_radius)
            gone += part
            leak = power * part
            if keep:
                leaks[n, h] = leak
            if on_far == exit_far and leak > 0.0:
                seen = leak
                if row[_DET] < np.inf:
                    # carry the beam to the detector plane, along the ray
                    onward = row[_DET + 1] / abs(uz)
                    y11, y12, y21, y22 = (
                        x11 + onward * p11, x12 + onward * p12, x21 + onward * p21, x22 + onward * p22,
                    )  # fmt: skip
                    o11, o12, o22 = _ellipse(y11, y12, y21, y22, b1, b2)
                    oxx, oxy, oyy = _seen_in_plane(o11, o12, o22, e1x, e1y, e2x, e2y)
                    seen *= through_circle(
                        oxx, oxy, oyy,
                        row[_DET + 2] - px - onward * ux, row[_DET + 3] - py - onward * uy,
                        row[_DET],
                    )  # fmt: skip
                total += seen
                weighted += seen * n
                if seen > best_power:
                    best, best_power, best_path = n, seen, path

        # reflect ray, frame and beam
        ux, uy, uz = ux + 2.0 * cos_i * mx, uy + 2.0 * cos_i * my, uz + 2.0 * cos_i * mz
        # back to unit length, or rounding would grow exponentially; in z, where the last digit of
        # the direction turns it least
        uz = towards * math.sqrt(1.0 - ux * ux - uy * uy)
        if rx == ry:
            k = 2.0 / rx
            k11 = k * (cos_i + m1 * m1 / cos_i)
            k12 = k * (m1 * m2 / cos_i)
            k22 = k * (cos_i + m2 * m2 / cos_i)
        else:
            # e_j slid along the ray onto the tangent plane, in the mirror's local axes
            g1, g2 = m1 / cos_i, m2 / cos_i
            # u before reflection, from the reflected one
            wx, wy, wz = ux - 2.0 * cos_i * mx, uy - 2.0 * cos_i * my, uz - 2.0 * cos_i * mz
            t1x, t1y, t1z = e1x + g1 * wx, e1y + g1 * wy, e1z + g1 * wz
            t2x, t2y, t2z = e2x + g2 * wx, e2y + g2 * wy, e2z + g2 * wz
            h1, v1 = t1x * ax + t1y * ay + t1z * az, t1x * bx + t1y * by + t1z * bz
            h2, v2 = t2x * ax + t2y * ay + t2z * az, t2x * bx + t2y * by + t2z * bz
            k = 2.0 * cos_i
            k11 = k * (zxx * h1 * h1 + 2.0 * zxy * h1 * v1 + zyy * v1 * v1)
            k12 = k * (zxx * h1 * h2 + zxy * (h1 * v2 + h2 * v1) + zyy * v1 * v2)
            k22 = k * (zxx * h2 * h2 + 2.0 * zxy * h2 * v2 + zyy * v2 * v2)
        p11, p21 = p11 - (k11 * x11 + k12 * x21), p21 - (k12 * x11 + k22 * x21)
        p12, p22 = p12 - (k11 * x12 + k12 * x22), p22 - (k12 * x12 + k22 * x22)
        e1x, e1y, e1z = e1x - 2.0 * m1 * mx, e1y - 2.0 * m1 * my, e1z - 2.0 * m1 * mz
        e2x, e2y, e2z = e2x - 2.0 * m2 * mx, e2y - 2.0 * m2 * my, e2z - 2.0 * m2 * mz

        if keep:
            s = spots[n]
            s[0], s[1], s[2], s[3], s[4], s[5] = px, py, pz, ux, uy, uz
            s[6] = math.acos(min(cos_i, 1.0))
            s[7], s[8], s[9] = fxx, fxy, fyy
            s[10], s[11], s[12] = power, power * (1.0 - inside), t
        power *= row[m + 3] * max(inside - gone, 0.0)
        if power < floor:
            break

    tally[0], tally[1], tally[2], tally[3] = total, best, best_power, best_path
    tally[4], tally[5] = n, weighted / total if total > 0.0 else 0.0


@compiled
def follow_all(rows, hole_on_far, exit_far, passes, floor, tallies):
    """:func:`follow` for each row, keeping only the tally."""
    no_spots = np.empty((0, len(SPOT_COLUMNS)))
    no_leaks = np.empty((0, 1))
    for i in range(rows.shape[0]):
        follow(rows[i], hole_on_far, exit_far, passes, floor, no_spots, no_leaks, tallies[i])


@compiled
def follow_paths(rows, hole_on_far, exit_far, passes, spots, leaks, tallies):
    """:func:`follow` for each row, keeping every spot and leak."""
    for i in range(rows.shape[0]):
        follow(rows[i], hole_on_far, exit_far, passes, -1.0, spots[i], leaks[i], tallies[i])
