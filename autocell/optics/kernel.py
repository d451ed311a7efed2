"""The inner loop: a batch of cells, every pass, every edge and hole.

Cells are followed :data:`~autocell.optics.lanes.LANES` at a time, each in a lane that it leaves to
the next when its light is spent. Each pass carries all beams to the next mirror; only those that
come near an edge or a hole are then looked at one by one.
"""

from __future__ import annotations  # noqa: I001

import math

import numpy as np
from numpy.typing import NDArray

from autocell.optics.cell import FloatArray
from autocell.optics.compiled import compiled
from autocell.optics.detector import on_detector, seen_along
from autocell.optics.edge import FAR, through_circle
from autocell.optics.entrance import place_beams
from autocell.optics.lanes import (
    LANES, PARAMETERS, MIRROR_1, MIRROR_2, C1X, C2X,
    APERTURE, VERTEX_X, VERTEX_Y,
    X, Y, Z, UX, UY, UZ, E1X, E1Y, E1Z, E2X, E2Y, E2Z,
    XR11, XR12, XR21, XR22, XI11, XI12, XI21, XI22,
    PR11, PR12, PR21, PR22, PI11, PI12, PI21, PI22,
    NX, NY, NZ, COS, CHORD, PATH, ARRIVING, POWER, SLACK,
    clear_hole, cross_to_sphere, cross_to_toroid, squared_radii,
)  # fmt: skip
from autocell.optics.rows import HOLES, M1, M2, SPOT_COLUMNS

BoolArray = NDArray[np.bool_]


@compiled
def _across(s: FloatArray, i: int) -> tuple[float, float, float, float]:
    """J11, J12, J21, J22: a step (ξ, η) on the mirror is the step J (ξ, η) across beam ``i``.

    It is the step (ξ, η, ζ) along the tangent plane, the same before and after the mirror.
    """
    gx, gy = -s[NX + i] / s[NZ + i], -s[NY + i] / s[NZ + i]
    return (
        s[E1X + i] + s[E1Z + i] * gx,
        s[E1Y + i] + s[E1Z + i] * gy,
        s[E2X + i] + s[E2Z + i] * gx,
        s[E2Y + i] + s[E2Z + i] * gy,
    )


@compiled
def _footprint(s: FloatArray, i: int) -> tuple[float, float, float]:
    """S of the spot of beam ``i`` in the x and y of the mirror that it is on."""
    w11, w12, w22 = squared_radii(s, i)
    j11, j12, j21, j22 = _across(s, i)
    return seen_along(w11, w12, w22, j11, j12, j21, j22)


@compiled
def _wavefront(s: FloatArray, i: int) -> tuple[float, float, float]:
    """C of the phase −(π/λ) ρᵀCρ of beam ``i`` in the x and y of the mirror, as it goes on.

    Re Q⁻¹ = Re P X⁻¹, seen along the beam as the footprint is.
    """
    x11, x12 = complex(s[XR11 + i], s[XI11 + i]), complex(s[XR12 + i], s[XI12 + i])
    x21, x22 = complex(s[XR21 + i], s[XI21 + i]), complex(s[XR22 + i], s[XI22 + i])
    p11, p12 = complex(s[PR11 + i], s[PI11 + i]), complex(s[PR12 + i], s[PI12 + i])
    p21, p22 = complex(s[PR21 + i], s[PI21 + i]), complex(s[PR22 + i], s[PI22 + i])
    per_det = 1.0 / (x11 * x22 - x12 * x21)
    q11 = ((p11 * x22 - p12 * x21) * per_det).real
    q12 = ((p12 * x11 - p11 * x12) * per_det).real
    q22 = ((p22 * x11 - p21 * x12) * per_det).real
    j11, j12, j21, j22 = _across(s, i)
    return (
        q11 * j11 * j11 + 2.0 * q12 * j11 * j21 + q22 * j21 * j21,
        q11 * j11 * j12 + q12 * (j11 * j22 + j12 * j21) + q22 * j21 * j22,
        q11 * j12 * j12 + 2.0 * q12 * j12 * j22 + q22 * j22 * j22,
    )


@compiled
def _keep_spot(s: FloatArray, i: int, spot: FloatArray, beyond_edge: float) -> None:
    """Write an arrival down, as SPOT_COLUMNS says."""
    sxx, sxy, syy = _footprint(s, i)
    cxx, cxy, cyy = _wavefront(s, i)
    spot[0], spot[1], spot[2] = s[X + i], s[Y + i], s[Z + i]
    spot[3], spot[4], spot[5] = s[UX + i], s[UY + i], s[UZ + i]
    spot[6] = math.acos(min(s[COS + i], 1.0))
    spot[7], spot[8], spot[9] = sxx, sxy, syy
    spot[10], spot[11], spot[12] = cxx, cxy, cyy
    spot[13], spot[14], spot[15] = s[ARRIVING + i], beyond_edge, s[CHORD + i]


@compiled
def _any_toroid(columns: FloatArray, mirror: int) -> bool:
    unequal = 0
    for k in range(columns.shape[1]):
        unequal += columns[mirror, k] != columns[mirror + 1, k]
    return unequal > 0


@compiled
def _place_next(columns: FloatArray, first: int, ready: FloatArray) -> None:
    """Place the next beams, as many as there are lanes; behind the last column it is repeated."""
    last = columns.shape[1] - 1
    for c in range(columns.shape[0]):
        for i in range(LANES):
            ready[PARAMETERS + c * LANES + i] = columns[c, min(first + i, last)]
    place_beams(ready)


@compiled
def _can_be(column: FloatArray) -> bool:
    """Whether spacing and radii of curvature are positive and finite: rays may meet the back of a
    mirror otherwise, and go on from there."""
    impossible = 0
    for place in (0, M1, M1 + 1, M2, M2 + 1):
        impossible += not 0.0 < column[place] < math.inf
    return impossible == 0


@compiled
def _enter(s: FloatArray, i: int, far: float) -> None:
    """Leave the beam of a lane what the entrance hole lets through."""
    column = s[PARAMETERS + i :: LANES]
    sxx, sxy, syy = _footprint(s, i)
    s[POWER + i] = through_circle(
        sxx, sxy, syy,
        column[HOLES] + s[MIRROR_1 + VERTEX_X + i] - s[X + i],
        column[HOLES + 1] + s[MIRROR_1 + VERTEX_Y + i] - s[Y + i],
        column[HOLES + 2],
        far,
    )  # fmt: skip


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
    """Follow the beam of each parameter column for at most ``passes`` passes, or until edges,
    holes and mirrors have left less than ``floor`` of it; the power is right to that.

    A beam that has ended leaves its lane to the next: some go on ten times as long as others, and
    their neighbours must not wait for them.

    ``columns`` is (quantities, B), as :data:`~autocell.optics.rows.COLUMNS` says. ``tallies``
    (B, TALLY_COLUMNS) is filled. ``spots`` (B, passes + 1, SPOT_COLUMNS) and ``leaks``
    (B, passes + 1, holes) are filled when they have rows; beams are then followed to the end.
    Without them a cell that cannot be stays dark.
    """
    keep = spots.shape[0] > 0
    beams = columns.shape[1]
    # what an edge takes beyond this many beam radii is a tenth of the floor at most
    far = FAR if keep or floor <= 0.0 else min(FAR, math.sqrt(0.5 * math.log(10.0 / floor)))
    toroid_1, toroid_2 = _any_toroid(columns, M1), _any_toroid(columns, M2)
    tallies[:] = 0.0
    s = np.empty(PARAMETERS + columns.shape[0] * LANES)
    ready = np.empty(s.size)  # beams that wait for a lane, placed all at once
    beam = np.full(LANES, -1)  # whose beam is in the lane; -1 is nobody's
    made = np.zeros(LANES, dtype=np.int64)  # passes it has made
    placed = taken = 0

    while True:
        ended = 0
        for i in range(LANES):
            dark = not (keep or s[POWER + i] >= floor)
            ended += (beam[i] < 0) | (made[i] >= passes) | dark
        running = LANES - ended
        for i in range(LANES if ended else 0):
            if beam[i] >= 0 and made[i] < passes and (keep or s[POWER + i] >= floor):
                continue
            beam[i] = -1
            while taken < beams and beam[i] < 0:
                if taken == placed:
                    _place_next(columns, placed, ready)
                    if placed == 0:
                        s[:] = ready  # lanes that nobody needs hold something that can be traced
                    placed += LANES
                for q in range(taken % LANES, s.size, LANES):
                    s[q - taken % LANES + i] = ready[q]
                _enter(s, i, far)
                if keep:
                    _keep_spot(s, i, spots[taken, 0], 1.0 - s[POWER + i])
                elif not _can_be(s[PARAMETERS + i :: LANES]):
                    s[POWER + i] = 0.0
                if passes > 0 and (keep or s[POWER + i] >= floor):
                    beam[i], made[i] = taken, 0
                    running += 1
                taken += 1
        if running == 0:
            break

        for mirror in (MIRROR_2, MIRROR_1):
            at_far = mirror == MIRROR_2
            if at_far:
                if toroid_2:
                    cross_to_toroid(s, beam, MIRROR_2, -1.0, far)
                else:
                    cross_to_sphere(s, MIRROR_2, C2X, -1.0, far)
            elif toroid_1:
                cross_to_toroid(s, beam, MIRROR_1, 1.0, far)
            else:
                cross_to_sphere(s, MIRROR_1, C1X, 1.0, far)
            for h in range(hole_on_far.size):
                if hole_on_far[h] == at_far:
                    clear_hole(s, mirror, PARAMETERS + (HOLES + 3 * h) * LANES)
            near = 0
            for i in range(LANES):
                made[i] += 1
                near += not s[SLACK + i] > 0.0  # so also for NaN: the ray passes beside the mirror
            if near == 0 and not keep:
                continue

            for i in range(LANES):
                n = made[i]
                if beam[i] < 0 or n > passes:
                    continue
                clear = s[SLACK + i] > 0.0
                if clear and not keep:
                    continue
                if not (clear or s[CHORD + i] > 0.0):
                    s[POWER + i] = 0.0
                    continue
                power = s[ARRIVING + i]
                rest, beyond = 1.0, 0.0
                if not clear and (power >= floor or keep):
                    column = s[PARAMETERS + i :: LANES]
                    tally = tallies[beam[i]]
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
                            leaks[beam[i], n, h] = leak
                        if leak > 0.0 and at_far == exit_far:
                            seen = leak * on_detector(s, i, column, far)
                            tally[0] += seen
                            tally[4] += seen * n
                            if seen > tally[2]:
                                tally[1], tally[2], tally[3] = n, seen, s[PATH + i]
                    s[POWER + i] *= max(rest, 0.0)
                if keep:
                    _keep_spot(s, i, spots[beam[i], n], beyond)
    for k in range(beams):
        if tallies[k, 0] > 0.0:
            tallies[k, 4] /= tallies[k, 0]


NO_SPOTS = np.empty((0, 0, len(SPOT_COLUMNS)))
NO_LEAKS = np.empty((0, 0, 1))
"""Passed to :func:`follow` when only the tally is wanted."""
