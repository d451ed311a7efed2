"""Power of a Gaussian beam through a round hole, or inside a round edge."""

from __future__ import annotations

import math

from autocell.optics.cell import FloatArray
from autocell.optics.compiled import compiled

FAR = 4.2
"""Beam radii beyond which a round edge takes less than 1e-15."""


@compiled
def through_circle(
    sxx: float, sxy: float, syy: float, dx: float, dy: float, a: float, far: float
) -> float:
    """Fraction of exp(−2 ρᵀSρ) inside the circle of radius ``a`` centred ``(dx, dy)`` away.

    In coordinates whitened by S the enclosed fraction is (1/2π)∮(1 − e^{−v}) dψ around the edge,
    v = 2ρᵀSρ. The integrand is entire and periodic, so that the trapezoidal rule converges
    geometrically; a beam of radius w is as wide along the edge, and by its Fourier transform
    2 far a/w nodes on half of it leave out e^{−2 far²}; far (2 + 1.7 a/w) do as well, on 200,000
    beams of all kinds. Of its two parts

    - ∮dψ has a sum in closed form. On the edge, z = e^{iθ}, the whitened ρ is the complex number
      p z − m + q/z with roots z1, z2, and dψ/dθ = Re[−1 + Σ z/(z − z_k)]; over n nodes with
      zⁿ = −1 the mean of z/(z − z_k) is 1/(1 + z_kⁿ).
    - e^{−v} is summed over the nodes within ``far`` large beam radii; beyond, e^{−2 far²} is left.

    θ counts from the point of the edge closest to the beam, and the nodes lie at half steps from
    it: none ever meets the centre of the beam, where both parts are infinite. Derived here.
    """
    mean = 0.5 * (sxx + syy)
    split = math.sqrt((0.5 * (sxx - syy)) ** 2 + sxy * sxy)
    reach2 = far * far / (mean - split)
    distance = math.sqrt(dx * dx + dy * dy)
    room2 = (distance - a) ** 2
    if room2 > reach2 or a <= 0.0:
        return 1.0 if a > distance else 0.0
    if distance > 0.0:  # x from the closest point of the edge, seen from the centre of the circle
        c, s = -dx / distance, -dy / distance
        sxx, sxy, syy = (
            sxx * c * c + 2.0 * sxy * c * s + syy * s * s,
            (syy - sxx) * c * s + sxy * (c * c - s * s),
            sxx * s * s - 2.0 * sxy * c * s + syy * c * c,
        )
    half = int(far * (2.0 + 1.7 * a * math.sqrt(mean + split)))
    step = math.pi / half
    near = half
    if reach2 - room2 < 4.0 * a * distance:
        angle = 2.0 * math.asin(math.sqrt((reach2 - room2) / (4.0 * a * distance)))
        near = min(half, 1 + int(angle / step))
    c, s = math.cos(0.5 * step), math.sin(0.5 * step)
    turn_c, turn_s = c * c - s * s, 2.0 * c * s
    total = 0.0
    for _ in range(near):  # the nodes at θ and −θ
        x, y = a * c - distance, a * s
        even, odd = 2.0 * (sxx * x * x + syy * y * y), 4.0 * sxy * x * y
        plus, minus = even + odd, even - odd
        pair = minus * math.exp(-plus) + plus * math.exp(-minus)
        total += (a - distance * c) * pair / (plus * minus)
        c, s = c * turn_c - s * turn_s, s * turn_c + c * turn_s
    area = math.sqrt(sxx * syy - sxy * sxy)

    lx = math.sqrt(sxx)
    ly, lz = sxy / lx, area / lx  # S = LᵀL, L = ((lx, ly), (0, lz))
    half_m = 0.5 * distance * lx
    p, q = 0.5 * a * complex(lx + lz, -ly), 0.5 * a * complex(lx - lz, ly)
    both = half_m + _root(half_m * half_m - p * q)
    around = _mean_around(both, p, 2 * half) + _mean_around(q, both, 2 * half) - 1.0
    # rounding may leave a fraction a last digit outside its range
    return min(max(around - a * area * total / half, 0.0), 1.0)


@compiled
def _root(z: complex) -> complex:
    """The square root on the right of the imaginary axis; sizes here need no guard."""
    size = math.sqrt(z.real * z.real + z.imag * z.imag)
    larger = math.sqrt(0.5 * (size + abs(z.real)))
    if larger == 0.0:
        return complex(0.0, 0.0)
    smaller = 0.5 * z.imag / larger
    if z.real >= 0.0:
        return complex(larger, smaller)
    return complex(abs(smaller), math.copysign(larger, z.imag))


@compiled
def _mean_around(above: complex, below: complex, nodes: int) -> float:
    """Re 1/(1 + rootⁿ), root = above/below: mean of z/(z − root) over the n nodes on the unit
    circle with zⁿ = −1."""
    high = above.real * above.real + above.imag * above.imag
    low = below.real * below.real + below.imag * below.imag
    if high == low == 0.0:  # of a round beam in the centre, where both roots are
        return 1.0
    outside = high > low
    # the root or one over it, so that no power overflows
    base = below * above.conjugate() / high if outside else above * below.conjugate() / low
    power = complex(1.0, 0.0)
    while nodes > 0:
        if nodes & 1:
            power *= base
        base *= base
        nodes >>= 1
    rest = 1.0 + power.real
    share = rest / (rest * rest + power.imag * power.imag)
    return 1.0 - share if outside else share


@compiled
def through_circles(rows: FloatArray, fractions: FloatArray) -> None:
    """:func:`through_circle` of each row (Sxx, Sxy, Syy, Δx, Δy, a) into ``fractions``."""
    for i in range(rows.shape[0]):
        r = rows[i]
        fractions[i] = through_circle(r[0], r[1], r[2], r[3], r[4], r[5], FAR)
