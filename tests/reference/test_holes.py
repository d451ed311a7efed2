"""Power through holes and past edges against Marcum's Q, 50 digits and two-dimensional sums."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from mpmath import mpf
from scipy.special import erf

from autocell.optics.gaussian import (
    edge_loss,
    elliptical_hole_transmission,
    hole_transmission,
)

STRIPS = np.polynomial.legendre.leggauss(400)
RINGS = np.polynomial.legendre.leggauss(160)


@pytest.fixture(autouse=True)
def _fifty_digits():
    with mpmath.workdps(50):
        yield


def inside_exactly(a, s, w):
    """T = ∫₀ᵃ (4ρ/w²) e^{−2(ρ²+s²)/w²} I₀(4ρs/w²) dρ, the definition of 1 − Q₁(2s/w, 2a/w)."""
    a, s, w = mpf(a), mpf(s), mpf(w)

    def ring(rho):
        return (
            4 * rho / w**2 * mpmath.exp(-2 * (rho**2 + s**2) / w**2)
            * mpmath.besseli(0, 4 * rho * s / w**2)
        )  # fmt: skip

    return mpmath.quad(ring, mpmath.linspace(0, a, 9))


def outside_exactly(a, s, w):
    """The rest, integrated outwards, not taken from one."""
    a, s, w = mpf(a), mpf(s), mpf(w)

    def ring(rho):
        return (
            4 * rho / w**2 * mpmath.exp(-2 * (rho**2 + s**2) / w**2)
            * mpmath.besseli(0, 4 * rho * s / w**2)
        )  # fmt: skip

    return mpmath.quad(ring, mpmath.linspace(a, max(a, s) + 12 * w, 25))


@pytest.mark.parametrize(
    ("a", "s", "transmission"),
    [
        (1.0, 0.25, 0.830859361),
        (1.0, 0.5, 0.730987940),
        (1.0, 1.0, 0.396499039),
        (1.5, 0.5, 0.956284028),
        (1.5, 1.0, 0.785637912),
        (1.5, 1.5, 0.432520238),
        (2.0, 1.0, 0.965865155),
        (2.0, 2.0, 0.449727936),
    ],
)
def test_off_centre_hole(a, s, transmission):
    # F15, T for (a/w, s/w) [exact]; the kernel's quadrature and scipy's chndtr, both
    w = 0.37e-3
    assert hole_transmission(a * w, s * w, w) == pytest.approx(transmission, abs=5.1e-10)
    for angle in (0.0, 0.4, 2.0):
        ours = elliptical_hole_transmission(
            a * w, s * w * np.cos(angle), s * w * np.sin(angle), w, w
        )
        assert ours == pytest.approx(transmission, abs=5.1e-10)
        assert ours == pytest.approx(float(inside_exactly(a, s, 1)), abs=1e-14)


@pytest.mark.parametrize(
    ("diameter_over_w", "loss", "last_digit"),
    [(2.0, 0.1353, 1e-4), (3.0, 0.01111, 1e-5), (np.pi, 0.00719, 1e-5), (4.0, 0.000335, 1e-6)],
)
def test_centred_aperture_loses(diameter_over_w, loss, last_digit):
    # F15 of a centred hole, e^{−D²/2w²} [exact]: 2w 13.53 %, 3w 1.111 %, πw 0.719 %, 4w 0.0335 %
    assert edge_loss(diameter_over_w / 2, 0.0, 1.0) == pytest.approx(loss, abs=0.51 * last_digit)
    assert edge_loss(diameter_over_w / 2, 0.0, 1.0) == pytest.approx(
        np.exp(-(diameter_over_w**2) / 2), rel=1e-14
    )


@pytest.mark.parametrize(
    ("a", "s"), [(0.5, 2.0), (0.5, 3.0), (1.0, 3.5), (2.0, 4.0), (5.0, 7.0), (0.05, 1.0)]
)
def test_a_leak_through_a_distant_hole_keeps_its_digits(a, s):
    exact = float(inside_exactly(a, s, 1))
    assert exact < 0.01
    assert hole_transmission(a, s, 1.0) == pytest.approx(exact, rel=1e-9)
    # the rule used in the trace is right to 1e-14 of the whole beam
    assert elliptical_hole_transmission(a, s, 0.0, 1.0, 1.0) == pytest.approx(exact, abs=1e-14)


@pytest.mark.parametrize(("a", "s"), [(3.0, 0.5), (4.0, 0.0), (5.0, 1.0), (6.0, 0.3), (12.0, 8.0)])
def test_a_loss_beyond_a_distant_edge_keeps_its_digits(a, s):
    exact = float(outside_exactly(a, s, 1))
    assert exact < 1e-5
    assert edge_loss(a, s, 1.0) == pytest.approx(exact, rel=1e-9)
    assert hole_transmission(a, s, 1.0) == pytest.approx(1.0 - exact, abs=1e-14)
    assert elliptical_hole_transmission(a, s, 0.0, 1.0, 1.0) == pytest.approx(
        1.0 - exact, abs=1e-14
    )


@pytest.mark.parametrize(("a", "s"), [(30.0, 30.0), (60.0, 59.5), (60.0, 61.0)])
def test_a_beam_at_the_edge_of_a_wide_mirror(a, s):
    # the rule around the edge against chndtr, for apertures many beam radii wide
    round_one = hole_transmission(a, s, 1.0)
    for angle in (0.0, 1.0, 4.0):
        ours = elliptical_hole_transmission(a, s * np.cos(angle), s * np.sin(angle), 1.0, 1.0)
        assert ours == pytest.approx(round_one, abs=1e-12)


def elliptical_by_strips(a, dx, dy, wx, wy, angle):
    """Gauss-Legendre across the hole, the inner integral of each strip in closed form (erf).

    The strips run along the beam's second axis: another reduction than the one under test.
    """
    c, s = np.cos(angle), np.sin(angle)
    x0, y0 = c * dx + s * dy, -s * dx + c * dy
    nodes, weights = STRIPS
    phi = 0.5 * np.pi * nodes  # x = x0 + a sin φ: smooth at the ends of the hole
    x, half = x0 + a * np.sin(phi), a * np.cos(phi)
    along = 0.5 * (erf(np.sqrt(2) * (y0 + half) / wy) - erf(np.sqrt(2) * (y0 - half) / wy))
    across = np.sqrt(2 / np.pi) / wx * np.exp(-2 * (x / wx) ** 2)
    return 0.5 * np.pi * np.sum(weights * across * along * a * np.cos(phi))


def elliptical_by_brute_force(a, dx, dy, wx, wy, angle):
    """Two-dimensional sum over the hole's disk in polar coordinates about its centre."""
    c, s = np.cos(angle), np.sin(angle)
    nodes, weights = RINGS
    rho, psi = 0.5 * a * (nodes + 1.0), np.arange(400) * 2 * np.pi / 400
    x, y = dx + rho[:, None] * np.cos(psi), dy + rho[:, None] * np.sin(psi)
    u, v = c * x + s * y, -s * x + c * y
    intensity = 2 / (np.pi * wx * wy) * np.exp(-2 * (u / wx) ** 2 - 2 * (v / wy) ** 2)
    return np.sum(weights[:, None] * rho[:, None] * intensity) * 0.5 * a * 2 * np.pi / 400


@pytest.mark.parametrize("angle", [0.0, 0.6, -1.2])
@pytest.mark.parametrize(("wx", "wy"), [(1.0, 0.8), (1.0, 0.5), (0.3, 1.5), (1.0, 0.1)])
@pytest.mark.parametrize(
    ("a", "dx", "dy"),
    [(1.0, 0.0, 0.0), (1.0, 0.7, -0.4), (2.5, 1.5, 2.0), (0.4, -1.0, 0.3), (4.0, 0.1, 3.9)],
)
def test_elliptical_beam_through_a_hole(a, dx, dy, wx, wy, angle):
    ours = elliptical_hole_transmission(a, dx, dy, wx, wy, angle)
    by_strips = elliptical_by_strips(a, dx, dy, wx, wy, angle)
    assert ours == pytest.approx(by_strips, abs=1e-10)
    assert by_strips == pytest.approx(elliptical_by_brute_force(a, dx, dy, wx, wy, angle), abs=1e-7)


def test_holes_broadcast_and_close_and_open():
    a = np.array([[0.0], [0.5], [50.0]])
    s = np.array([0.0, 0.5, 1.0, 2.0])
    round_one = hole_transmission(a, s, 1.0)
    assert round_one.shape == (3, 4)
    assert (round_one[0] == 0.0).all()
    np.testing.assert_allclose(round_one[2], 1.0, atol=1e-15)
    np.testing.assert_allclose(
        elliptical_hole_transmission(a, s, 0.0, 1.0, 1.0), round_one, atol=1e-14
    )
    assert (np.diff(round_one[1]) < 0.0).all()
