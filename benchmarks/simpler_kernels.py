"""What less physics would cost: the same loop over lanes with parts left out.

``chief_rays`` only traces. ``round_beams`` carries one complex beam parameter q along, with
f = R/2, and looks whether the spot clears the hole: a stigmatic beam, wrong off axis.
Both return the positions on the last mirror, (B, 2) in metres.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from multipass import CIRCLE_M, Rays

from autocell.optics.compiled import compiled
from autocell.optics.lanes import LANES

Batch = Callable[[int], np.ndarray]


@compiled
def _chief_rays(rays, radius, spacing, passes, found):
    s = np.empty(6 * LANES)
    for first in range(0, rays.shape[1], LANES):
        count = min(LANES, rays.shape[1] - first)
        for c in range(6):
            for i in range(LANES):
                s[c * LANES + i] = rays[c, first + min(i, count - 1)]
        for n in range(1, passes + 1):
            towards = 1.0 if n % 2 == 0 else -1.0
            centre = radius if n % 2 == 0 else spacing - radius
            for i in range(LANES):
                px, py, pz = s[i], s[LANES + i], s[2 * LANES + i]
                ux, uy, uz = s[3 * LANES + i], s[4 * LANES + i], s[5 * LANES + i]
                qz = pz - centre
                b = ux * px + uy * py + uz * qz
                root = math.sqrt(b * b - (px * px + py * py + qz * qz) + radius * radius)
                t = root - b
                px, py, qz = px + t * ux, py + t * uy, qz + t * uz
                twice = -2.0 * root / (radius * radius)
                ux, uy, uz = ux + twice * px, uy + twice * py, uz + twice * qz
                uz += 0.5 * towards * (1.0 - ux * ux - uy * uy - uz * uz)
                s[i], s[LANES + i], s[2 * LANES + i] = px, py, qz + centre
                s[3 * LANES + i], s[4 * LANES + i], s[5 * LANES + i] = ux, uy, uz
        for i in range(count):
            found[first + i, 0], found[first + i, 1] = s[i], s[LANES + i]


@compiled
def _round_beams(rays, radius, spacing, per_rayleigh, ahead, hole, passes, found):
    s = np.empty(11 * LANES)
    w2 = 1.0 / per_rayleigh  # of the squared beam radius in units of λ/π
    for first in range(0, rays.shape[1], LANES):
        count = min(LANES, rays.shape[1] - first)
        for i in range(LANES):
            for c in range(6):
                s[c * LANES + i] = rays[c, first + min(i, count - 1)]
            s[6 * LANES + i], s[7 * LANES + i] = -ahead, w2
            s[8 * LANES + i], s[9 * LANES + i] = 1.0, 0.0
        near = 0
        for n in range(1, passes + 1):
            towards = 1.0 if n % 2 == 0 else -1.0
            centre = radius if n % 2 == 0 else spacing - radius
            reflectivity = 0.985
            for i in range(LANES):
                px, py, pz = s[i], s[LANES + i], s[2 * LANES + i]
                ux, uy, uz = s[3 * LANES + i], s[4 * LANES + i], s[5 * LANES + i]
                qz = pz - centre
                b = ux * px + uy * py + uz * qz
                root = math.sqrt(b * b - (px * px + py * py + qz * qz) + radius * radius)
                t = root - b
                px, py, qz = px + t * ux, py + t * uy, qz + t * uz
                twice = -2.0 * root / (radius * radius)
                ux, uy, uz = ux + twice * px, uy + twice * py, uz + twice * qz
                uz += 0.5 * towards * (1.0 - ux * ux - uy * uy - uz * uz)
                s[i], s[LANES + i], s[2 * LANES + i] = px, py, qz + centre
                s[3 * LANES + i], s[4 * LANES + i], s[5 * LANES + i] = ux, uy, uz
                # q after the chord, its squared radius there, then 1/q − 1/f
                re, im = s[6 * LANES + i] + t, s[7 * LANES + i]
                size = re * re + im * im
                reach = 4.2 * math.sqrt(6.33e-7 / math.pi * size / im)
                re, im = re / size - 2.0 / radius, -im / size
                size = re * re + im * im
                s[6 * LANES + i], s[7 * LANES + i] = re / size, -im / size
                s[8 * LANES + i] *= reflectivity
                hx, outer = px - hole, 0.0015 + reach
                inner = 0.025 - reach
                slack = min(hx * hx + py * py - outer * outer, inner * inner - px * px - py * py)
                s[9 * LANES + i] = slack
            for i in range(LANES):
                near += not s[9 * LANES + i] > 0.0
        for i in range(count):
            found[first + i, 0], found[first + i, 1] = s[i], s[LANES + i]
    return near


def chief_rays(rays: Rays) -> Batch:
    """The trace alone."""
    columns = np.ascontiguousarray(np.concatenate([rays.position_m, rays.direction], axis=1).T)
    found = np.empty((columns.shape[1], 2))

    def run(passes: int) -> np.ndarray:
        _chief_rays(columns, rays.radius_m, rays.spacing_m, passes, found)
        return found

    return run


def round_beams(rays: Rays, waist_m: float, ahead_m: float, wavelength_m: float) -> Batch:
    """The trace with a stigmatic beam and the look-out for hole and aperture."""
    columns = np.ascontiguousarray(np.concatenate([rays.position_m, rays.direction], axis=1).T)
    found = np.empty((columns.shape[1], 2))
    per_rayleigh = wavelength_m / (math.pi * waist_m**2)

    def run(passes: int) -> np.ndarray:
        _round_beams(
            columns, rays.radius_m, rays.spacing_m, per_rayleigh, ahead_m, CIRCLE_M, passes, found
        )
        return found

    return run
