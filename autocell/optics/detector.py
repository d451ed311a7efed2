"""What falls on the detector of the light that leaves with one beam.

Light that leaves goes on as it came: along the direction, in the frame and with the complex slopes
from before the mirror. Where it falls and where it comes from are judged apart, and the share of
the power is the product of both. That is exact when the beam overfills one of them at most. Where
it overfills both, place and direction are correlated: the true share is at most the smaller of the
two, and for a centred beam at least the product (the Gaussian correlation inequality: Royen, Far
East J. Theor. Stat. 48, 139 (2014), from memory).
"""

from __future__ import annotations  # noqa: I001

import math

import numpy as np

from autocell.optics.cell import FloatArray
from autocell.optics.compiled import compiled
from autocell.optics.edge import through_circle
from autocell.optics.lanes import (
    COS, E1X, E1Y, E1Z, E2X, E2Y, E2Z, K11, K12, K22, NX, NY, NZ,
    PI11, PI12, PI21, PI22, PR11, PR12, PR21, PR22, UX, UY, UZ, X,
    XI11, XI12, XI21, XI22, XR11, XR12, XR21, XR22, Y, Z,
)  # fmt: skip
from autocell.optics.rows import DETECTOR

_RADIUS, _DISTANCE, _X, _Y, _ACCEPTANCE, _SLOPE_X, _SLOPE_Y = range(DETECTOR, DETECTOR + 7)


@compiled
def seen_along(
    w11: float, w12: float, w22: float, j11: float, j12: float, j21: float, j22: float
) -> tuple[float, float, float]:
    """S of the intensity exp(−2 ρᵀSρ) in a plane where a step ρ is the step J ρ across the beam."""
    scale = 1.0 / (w11 * w22 - w12 * w12)
    a11, a12, a22 = w22 * scale, -w12 * scale, w11 * scale
    return (
        a11 * j11 * j11 + 2.0 * a12 * j11 * j21 + a22 * j21 * j21,
        a11 * j11 * j12 + a12 * (j11 * j22 + j12 * j21) + a22 * j21 * j22,
        a11 * j12 * j12 + 2.0 * a12 * j12 * j22 + a22 * j22 * j22,
    )


@compiled
def on_detector(s: FloatArray, i: int, column: FloatArray, far: float) -> float:
    """Share of the light leaving with beam ``i`` that the detector collects.

    ``column`` holds the numbers of its cell. Edges look ``far`` large beam radii around.
    """
    everywhere, every_way = column[_RADIUS] == np.inf, column[_ACCEPTANCE] == np.inf
    if everywhere and every_way:
        return 1.0
    nx, ny, nz = s[NX + i], s[NY + i], s[NZ + i]
    twice = 2.0 * s[COS + i]
    ux, uy, uz = s[UX + i] - twice * nx, s[UY + i] - twice * ny, s[UZ + i] - twice * nz
    n1 = 2.0 * (nx * s[E1X + i] + ny * s[E1Y + i] + nz * s[E1Z + i])
    n2 = 2.0 * (nx * s[E2X + i] + ny * s[E2Y + i] + nz * s[E2Z + i])
    e1x, e1y, e1z = s[E1X + i] - n1 * nx, s[E1Y + i] - n1 * ny, s[E1Z + i] - n1 * nz
    e2x, e2y, e2z = s[E2X + i] - n2 * nx, s[E2Y + i] - n2 * ny, s[E2Z + i] - n2 * nz
    # complex displacements X and, from before the mirror, complex slopes P + K X
    k11, k12, k22 = s[K11 + i], s[K12 + i], s[K22 + i]
    r11, r12, r21, r22 = s[XR11 + i], s[XR12 + i], s[XR21 + i], s[XR22 + i]
    i11, i12, i21, i22 = s[XI11 + i], s[XI12 + i], s[XI21 + i], s[XI22 + i]
    p11, p12 = s[PR11 + i] + k11 * r11 + k12 * r21, s[PR12 + i] + k11 * r12 + k12 * r22
    p21, p22 = s[PR21 + i] + k12 * r11 + k22 * r21, s[PR22 + i] + k12 * r12 + k22 * r22
    q11, q12 = s[PI11 + i] + k11 * i11 + k12 * i21, s[PI12 + i] + k11 * i12 + k12 * i22
    q21, q22 = s[PI21 + i] + k12 * i11 + k22 * i21, s[PI22 + i] + k12 * i12 + k22 * i22

    share = 1.0
    if not everywhere:
        # in the plane across the axis of the cell, at the detector's distance from the vertex
        plane = column[0] + column[_DISTANCE] if uz > 0.0 else -column[_DISTANCE]
        t = (plane - s[Z + i]) / uz
        w11, w12, w22 = _squared(
            r11 + t * p11, r12 + t * p12, r21 + t * p21, r22 + t * p22,
            i11 + t * q11, i12 + t * q12, i21 + t * q21, i22 + t * q22,
        )  # fmt: skip
        sxx, sxy, syy = seen_along(w11, w12, w22, e1x, e1y, e2x, e2y)
        dx, dy = column[_X] - s[X + i] - t * ux, column[_Y] - s[Y + i] - t * uy
        share = through_circle(sxx, sxy, syy, dx, dy, column[_RADIUS], far)
    if not every_way:
        # far away X is t P: directions spread as exp(−2 δᵀ Θ⁻¹ δ) about the chief ray's, Θ = P P†
        w11, w12, w22 = _squared(p11, p12, p21, p22, q11, q12, q21, q22)
        sxx, sxy, syy = seen_along(w11, w12, w22, 1.0, 0.0, 0.0, 1.0)
        ax, ay = column[_SLOPE_X], column[_SLOPE_Y]
        norm = math.copysign(1.0 / math.sqrt(1.0 + ax * ax + ay * ay), uz)
        # the axis of the cone as seen from the chief ray, as far off as the sine of their angle
        d1 = norm * (ax * e1x + ay * e1y + e1z)
        d2 = norm * (ax * e2x + ay * e2y + e2z)
        cone = math.sin(min(column[_ACCEPTANCE], 0.5 * math.pi))
        share *= through_circle(sxx, sxy, syy, d1, d2, cone, far)
    return share


@compiled
def _squared(
    r11: float, r12: float, r21: float, r22: float,
    i11: float, i12: float, i21: float, i22: float,
) -> tuple[float, float, float]:  # fmt: skip
    """M M† of the complex 2×2 matrix M = r + i: its elements 11, 12, 22."""
    return (
        r11 * r11 + i11 * i11 + r12 * r12 + i12 * i12,
        r11 * r21 + i11 * i21 + r12 * r22 + i12 * i22,
        r21 * r21 + i21 * i21 + r22 * r22 + i22 * i22,
    )
