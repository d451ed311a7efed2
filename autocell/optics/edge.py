"""Power of a Gaussian beam through a round hole, or inside a round edge."""

from __future__ import annotations

import math

from autocell.optics.cell import FloatArray
from autocell.optics.compiled import compiled

FAR = 4.2
"""Beam radii beyond which a round edge takes less than 1e-15."""


@compiled
def through_circle(sxx: float, sxy: float, syy: float, dx: float, dy: float, a: float) -> float:
    """Fraction of exp(−2 ρᵀSρ) inside the circle of radius ``a`` centred ``(dx, dy)`` away.

    In coordinates whitened by S the enclosed fraction is (1/2π)∮(1 − e^{−2ρᵀSρ}) dψ around the
    edge. The integrand is entire and periodic, so that the trapezoidal rule converges
    geometrically; the number of nodes follows the edge length in beam radii.
    """
    trace = 0.5 * (sxx + syy)
    split = math.sqrt((0.5 * (sxx - syy)) ** 2 + sxy * sxy)
    w_max = 1.0 / math.sqrt(trace - split)
    distance = math.sqrt(dx * dx + dy * dy)
    if distance - a > FAR * w_max:
        return 0.0
    if a - distance > FAR * w_max:
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
    # rounding may leave a fraction a last digit outside its range
    return min(max(2.0 * a * area * total / nodes, 0.0), 1.0)


@compiled
def through_circles(rows: FloatArray, fractions: FloatArray) -> None:
    """:func:`through_circle` of each row (Sxx, Sxy, Syy, Δx, Δy, a) into ``fractions``."""
    for i in range(rows.shape[0]):
        r = rows[i]
        fractions[i] = through_circle(r[0], r[1], r[2], r[3], r[4], r[5])
