"""The inner loop: a batch of cells, every pass, every edge and hole.

Cells are followed :data:`~autocell.optics.lanes.LANES` at a time. Each pass carries all beams to
the next mirror; only those that come near an edge or a hole are then looked at one by one.
"""

from __future__ import annotations  # noqa: I001

import math

import numpy as np
from numpy.typing import NDArray

from autocell.optics.cell import FloatArray
from autocell.optics.compiled import compiled
from autocell.optics.edge import FAR, through_circle
from autocell.optics.entrance import place_beams
from autocell.optics.lanes import (
    LANES, PARAMETERS, MIRROR_1, MIRROR_2, C1X, C2X,
    RADIUS, RADIUS_Y, APERTURE, VERTEX_X, VERTEX_Y,
    X, Y, Z, UX, UY, UZ, E1X, E1Y, E1Z, E2X, E2Y, E2Z,
    XR11, XR12, XR21, XR22, XI11, XI12, XI21, XI22,
    PR11, PR12, PR21, PR22, PI11, PI12, PI21, PI22,
    B1, B2, K11, K12, K22,
    NX, NY, NZ, COS, CHORD, PATH, ARRIVING, POWER, SLACK,
    clear_hole, cross_to_sphere, cross_to_toroid, squared_radii,
)  # fmt: skip
from autocell.optics.rows import DETECTOR, HOLES, SPOT_COLUMNS

BoolArray = NDArray[np.bool_]


@compiled
def _seen_along(
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
def _footprint(s: FloatArray, i: int) -> tuple[float, float, float]:
    """S of the spot of beam ``i`` in the x and y of the mirror that it is on.

    A step (ξ, η) on the mirror is the step (ξ, η, ζ) along its tangent plane.
    """
    gx, gy = -s[NX + i] / s[NZ + i], -s[NY + i] / s[NZ + i]
    w11, w12, w22 = squared_radii(s, i)
    return _seen_along(
        w11, w12, w22,
        s[E1X + i] + s[E1Z + i] * gx, s[E1Y + i] + s[E1Z + i] * gy,
        s[E2X + i] + s[E2Z + i] * gx, s[E2Y + i] + s[E2Z + i] * gy,
    )  # fmt: skip


@compiled
def _on_detector(s: FloatArray, i: int, column: FloatArray, far: float) -> float:
    """Share of the light leaving with beam ``i`` that falls on the detector.

    It leaves as it came: along the direction, and with the slopes, from before the mirror.
    """
    radius = column[DETECTOR]
    if radius == np.inf:
        return 1.0
    twice = 2.0 * s[COS + i]
    ux = s[UX + i] - twice * s[NX + i]
    uy = s[UY + i] - twice * s[NY + i]
    uz = s[UZ + i] - twice * s[NZ + i]
    # the plane across the axis at the detector's distance from the vertex
    plane = column[0] + column[DETECTOR + 1] if uz > 0.0 else -column[DETECTOR + 1]
    onward = (plane - s[Z + i]) / uz
    k11, k12, k22 = s[K11 + i], s[K12 + i], s[K22 + i]
    r11, r12, r21, r22 = s[XR11 + i], s[XR12 + i], s[XR21 + i], s[XR22 + i]
    i11, i12, i21, i22 = s[XI11 + i], s[XI12 + i], s[XI21 + i], s[XI22 + i]
    r11, r12, r21, r22 = (
        r11 + onward * (s[PR11 + i] + k11 * r11 + k12 * r21),
        r12 + onward * (s[PR12 + i] + k11 * r12 + k12 * r22),
        r21 + onward * (s[PR21 + i] + k12 * r11 + k22 * r21),
        r22 + onward * (s[PR22 + i] + k12 * r12 + k22 * r22),
    )
    i11, i12, i21, i22 = (
        i11 + onward * (s[PI11 + i] + k11 * i11 + k12 * i21),
        i12 + onward * (s[PI12 + i] + k11 * i12 + k12 * i22),
        i21 + onward * (s[PI21 + i] + k12 * i11 + k22 * i21),
        i22 + onward * (s[PI22 + i] + k12 * i12 + k22 * i22),
    )
    b1, b2 = s[B1 + i], s[B2 + i]
    w11 = b1 * (r11 * r11 + i11 * i11) + b2 * (r12 * r12 + i12 * i12)
    w12 = b1 * (r11 * r21 + i11 * i21) + b2 * (r12 * r22 + i12 * i22)
    w22 = b1 * (r21 * r21 + i21 * i21) + b2 * (r22 * r22 + i22 * i22)
    # the frame before the mirror, seen along the axis
    n1 = 2.0 * (s[NX + i] * s[E1X + i] + s[NY + i] * s[E1Y + i] + s[NZ + i] * s[E1Z + i])
    n2 = 2.0 * (s[NX + i] * s[E2X + i] + s[NY + i] * s[E2Y + i] + s[NZ + i] * s[E2Z + i])
    sxx, sxy, syy = _seen_along(
        w11, w12, w22,
        s[E1X + i] - n1 * s[NX + i], s[E1Y + i] - n1 * s[NY + i],
        s[E2X + i] - n2 * s[NX + i], s[E2Y + i] - n2 * s[NY + i],
    )  # fmt: skip
    x, y = s[X + i] + onward * ux, s[Y + i] + onward * uy
    return through_circle(
        sxx, sxy, syy, column[DETECTOR + 2] - x, column[DETECTOR + 3] - y, radius, far
    )


@compiled
def _keep_spot(s: FloatArray, i: int, spot: FloatArray, beyond_edge: float) -> None:
    """Write an arrival down, as SPOT_COLUMNS says."""
    sxx, sxy, syy = _footprint(s, i)
    spot[0], spot[1], spot[2] = s[X + i], s[Y + i], s[Z + i]
    spot[3], spot[4], spot[5] = s[UX + i], s[UY + i], s[UZ + i]
    spot[6] = math.acos(min(s[COS + i], 1.0))
    spot[7], spot[8], spot[9] = sxx, sxy, syy
    spot[10], spot[11], spot[12] = s[ARRIVING + i], beyond_edge, s[CHORD + i]


@compiled
def _any_toroid(s: FloatArray, mirror: int) -> bool:
    unequal = 0
    for i in range(LANES):
        unequal += s[mirror + RADIUS + i] != s[mirror + RADIUS_Y + i]
    return unequal > 0


@compiled
def follow(
    columns: FloatArray,
    hole_on_far: BoolArray,
    exit_far: bool,
    passes: int,
    floor: float,
    tallies: FloatArray,
    spots: FloatArray,
    leaks: FloatArray,
) -> None:
    """Follow the beam of each parameter column for at most ``passes`` passes, or until edges and
    holes have left less than ``floor`` of every beam of its group; the power is right to that.

    ``columns`` is (quantities, B), as :data:`~autocell.optics.rows.COLUMNS` says. ``tallies``
    (B, TALLY_COLUMNS) is filled. ``spots`` (B, passes + 1, SPOT_COLUMNS) and ``leaks``
    (B, passes + 1, holes) are filled when they have rows; beams are then followed to the end.
    """
    keep = spots.shape[0] > 0
    # what an edge takes beyond this many beam radii is a tenth of the floor at most
    far = FAR if keep or floor <= 0.0 else min(FAR, math.sqrt(0.5 * math.log(10.0 / floor)))
    s = np.empty(PARAMETERS + columns.shape[0] * LANES)
    for first in range(0, columns.shape[1], LANES):
        count = min(LANES, columns.shape[1] - first)
        for c in range(columns.shape[0]):
            for i in range(LANES):  # lanes without a beam of their own repeat the last
                s[PARAMETERS + c * LANES + i] = columns[c, first + min(i, count - 1)]
        place_beams(s)
        toroid_1, toroid_2 = _any_toroid(s, MIRROR_1), _any_toroid(s, MIRROR_2)
        for i in range(LANES):
            column = s[PARAMETERS + i :: LANES]
            sxx, sxy, syy = _footprint(s, i)
            s[POWER + i] = through_circle(
                sxx, sxy, syy,
                column[HOLES] + s[MIRROR_1 + VERTEX_X + i] - s[X + i],
                column[HOLES + 1] + s[MIRROR_1 + VERTEX_Y + i] - s[Y + i],
                column[HOLES + 2],
                far,
            )  # fmt: skip
            if keep and i < count:
                _keep_spot(s, i, spots[first + i, 0], 1.0 - s[POWER + i])
        tally = tallies[first : first + count]
        tally[:] = 0.0

        for n in range(1, passes + 1):
            at_far = n % 2 == 1
            mirror = MIRROR_2 if at_far else MIRROR_1
            if at_far:
                if toroid_2:
                    cross_to_toroid(s, MIRROR_2, -1.0, far)
                else:
                    cross_to_sphere(s, MIRROR_2, C2X, -1.0, far)
            elif toroid_1:
                cross_to_toroid(s, MIRROR_1, 1.0, far)
            else:
                cross_to_sphere(s, MIRROR_1, C1X, 1.0, far)
            for h in range(hole_on_far.size):
                if hole_on_far[h] == at_far:
                    clear_hole(s, mirror, PARAMETERS + (HOLES + 3 * h) * LANES)
            near = 0
            for i in range(LANES):
                near += not s[SLACK + i] > 0.0  # so also for NaN: the ray passes beside the mirror
            if near == 0 and not keep:
                continue

            brightest = 0.0
            for i in range(count):
                clear = s[SLACK + i] > 0.0
                if not (clear or s[CHORD + i] > 0.0):
                    s[POWER + i] = 0.0
                    continue
                power = s[ARRIVING + i]
                rest, beyond = 1.0, 0.0
                if not clear and (power >= floor or keep):
                    column = s[PARAMETERS + i :: LANES]
                    sxx, sxy, syy = _footprint(s, i)
                    ox, oy = (
                        s[mirror + VERTEX_X + i] - s[X + i],
                        s[mirror + VERTEX_Y + i] - s[Y + i],
                    )
                    rest = through_circle(sxx, sxy, syy, ox, oy, s[mirror + APERTURE + i], far)
                    beyond = power * (1.0 - rest)
                    for h in range(hole_on_far.size):
                        if hole_on_far[h] != at_far:
                            continue
                        c = HOLES + 3 * h
                        part = through_circle(
                            sxx, sxy, syy, ox + column[c], oy + column[c + 1], column[c + 2], far
                        )
                        rest -= part
                        leak = power * part
                        if keep:
                            leaks[first + i, n, h] = leak
                        if leak > 0.0 and at_far == exit_far:
                            seen = leak * _on_detector(s, i, column, far)
                            tally[i, 0] += seen
                            tally[i, 4] += seen * n
                            if seen > tally[i, 2]:
                                tally[i, 1], tally[i, 2], tally[i, 3] = n, seen, s[PATH + i]
                    s[POWER + i] *= max(rest, 0.0)
                brightest = max(brightest, s[POWER + i])
                if keep:
                    _keep_spot(s, i, spots[first + i, n], beyond)
            if brightest < floor and not keep:
                break
        for i in range(count):
            if tally[i, 0] > 0.0:
                tally[i, 4] /= tally[i, 0]


NO_SPOTS = np.empty((0, 0, len(SPOT_COLUMNS)))
NO_LEAKS = np.empty((0, 0, 1))
"""Passed to :func:`follow` when only the tally is wanted."""
