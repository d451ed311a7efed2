"""Where a ray meets a mirror whose radii in x and y differ."""

from __future__ import annotations

import math

from autocell.optics.compiled import compiled


@compiled
def _sag(
    x: float, y: float, cx: float, cy: float
) -> tuple[float, float, float, float, float, float]:
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
def meet_toroid(
    px: float, py: float, pz: float,
    ux: float, uy: float, uz: float,
    rx: float, ry: float,
    nx: float, ny: float, nz: float,
    vx: float, vy: float, vz: float,
) -> tuple[
    float, float, float, float, float, float, float, float, float, float, float, float, float
]:  # fmt: skip
    """Where a ray from p along u meets a mirror of radii rx, ry, vertex v and vertex normal n.

    Returns the chord length t, the unit normal into the cell, and the mirror's local axes
    x̂, ŷ with the second derivatives of its surface (for the second fundamental form).
    """
    # local axes: x̂ is the lab's x axis made normal to n, ŷ completes a right-handed set
    fx = 1.0 / math.sqrt(1.0 - nx * nx)
    xx, xy, xz = (1.0 - nx * nx) * fx, -nx * ny * fx, -nx * nz * fx
    yx, yy, yz = ny * xz - nz * xy, nz * xx - nx * xz, nx * xy - ny * xx
    qx, qy, qz = px - vx, py - vy, pz - vz
    lx, ly, lz = (
        qx * xx + qy * xy + qz * xz,
        qx * yx + qy * yy + qz * yz,
        qx * nx + qy * ny + qz * nz,
    )
    dx, dy, dz = (
        ux * xx + uy * xy + uz * xz,
        ux * yx + uy * yy + uz * yz,
        ux * nx + uy * ny + uz * nz,
    )
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
