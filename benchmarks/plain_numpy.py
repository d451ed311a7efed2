"""The pass of ``autocell.optics.lanes`` in plain numpy, for a block of beams that fits the cache.

It does the same work while no spot comes near an edge: exact trace, astigmatic beam, slack to
aperture and hole, power. Formulas and names are those of :mod:`autocell.optics.lanes`; the mirrors
are aligned, which spares it some of the work that the compiled kernel does.
"""

from __future__ import annotations

import numpy as np
from multipass import CIRCLE_M, Rays

FAR = 4.2


def follow(
    rays: Rays, waist_m: float, ahead_m: float, wavelength_m: float, passes: int, block: int
) -> tuple[np.ndarray, np.ndarray]:
    """Positions on the last mirror (B, 2) in m, and whether a spot came near an edge, (B,)."""
    found = np.empty((len(rays.position_m), 2))
    near = np.zeros(len(found), dtype=bool)
    for first in range(0, len(found), block):
        piece = slice(first, first + block)
        found[piece], near[piece] = _follow_block(
            rays, piece, waist_m, ahead_m, wavelength_m, passes
        )
    return found, near


def _follow_block(
    rays: Rays, piece: slice, waist_m: float, ahead_m: float, wavelength_m: float, passes: int
) -> tuple[np.ndarray, np.ndarray]:
    r, aperture, hole_radius, reflectivity = rays.radius_m, 0.025, 0.0015, 0.985
    x, y, z = rays.position_m[piece].T.copy()
    ux, uy, uz = rays.direction[piece].T.copy()
    one = np.ones_like(x)
    f = 1.0 / np.sqrt(1.0 - ux * ux)
    e1x, e1y, e1z = (1.0 - ux * ux) * f, -ux * uy * f, -ux * uz * f
    e2x, e2y, e2z = uy * e1z - uz * e1y, uz * e1x - ux * e1z, ux * e1y - uy * e1x
    q = complex(-ahead_m, np.pi * waist_m**2 / wavelength_m)
    x11, x12, x21, x22 = one + 0j, 0j * one, 0j * one, one + 0j
    p11, p12, p21, p22 = one / q, 0j * one, 0j * one, one / q
    per_b = -np.pi / wavelength_m * (1.0 / q).imag
    power, path = one.copy(), 0.0 * one
    near = np.zeros(len(x), dtype=bool)
    for n in range(1, passes + 1):
        at_far = n % 2 == 1
        centre = rays.spacing_m - r if at_far else r
        qz = z - centre
        b = ux * x + uy * y + uz * qz
        root = np.sqrt(b * b - (x * x + y * y + qz * qz) + r * r)
        t = root - b
        x, y, z = x + t * ux, y + t * uy, z + t * uz
        path += t
        nx, ny, nz = x / -r, y / -r, (z - centre) / -r
        cos_i = root / r
        ux, uy, uz = ux + 2 * cos_i * nx, uy + 2 * cos_i * ny, uz + 2 * cos_i * nz
        uz += (-0.5 if at_far else 0.5) * (1.0 - ux * ux - uy * uy - uz * uz)
        n1 = nx * e1x + ny * e1y + nz * e1z
        n2 = nx * e2x + ny * e2y + nz * e2z
        e1x, e1y, e1z = e1x - 2 * n1 * nx, e1y - 2 * n1 * ny, e1z - 2 * n1 * nz
        e2x, e2y, e2z = e2x - 2 * n2 * nx, e2y - 2 * n2 * ny, e2z - 2 * n2 * nz
        k = 2.0 / r
        k11, k12, k22 = (
            k * (cos_i + n1 * n1 / cos_i),
            k * n1 * n2 / cos_i,
            k * (cos_i + n2 * n2 / cos_i),
        )
        x11, x12, x21, x22 = x11 + t * p11, x12 + t * p12, x21 + t * p21, x22 + t * p22
        p11, p12 = p11 - (k11 * x11 + k12 * x21), p12 - (k11 * x12 + k12 * x22)
        p21, p22 = p21 - (k12 * x11 + k22 * x21), p22 - (k12 * x12 + k22 * x22)
        w11 = (x11.real**2 + x11.imag**2 + x12.real**2 + x12.imag**2) / per_b
        w22 = (x21.real**2 + x21.imag**2 + x22.real**2 + x22.imag**2) / per_b
        w12 = (x11 * x21.conj() + x12 * x22.conj()).real / per_b
        reach = FAR * np.sqrt(0.5 * (w11 + w22 + np.abs(w11 - w22)) + np.abs(w12)) / cos_i
        power *= reflectivity
        near |= (x * x + y * y > (aperture - reach) ** 2) | (reach > aperture)
        if not at_far:
            near |= (x - CIRCLE_M) ** 2 + y * y < (hole_radius + reach) ** 2
    return np.stack([x, y], axis=-1), near
