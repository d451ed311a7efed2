"""Cells that were published: path = passes × length per pass, and nothing else is claimed."""

from __future__ import annotations

import numpy as np
import pytest

from autocell.optics.reentrance import (
    reentrant_circle,
    reentrant_spacings,
    spacing_for_advance,
)
from autocell.optics.trace import trace


def rounded(path_m: float, step_m: float, passes: int) -> tuple[float, float]:
    """Lengths per pass that a path rounded to ``step_m`` allows."""
    return (path_m - step_m / 2) / passes, (path_m + step_m / 2) / passes


def row(found: np.ndarray, passes: int, orbits: int) -> float:
    """Spacing of one pattern of a listing."""
    return float(found["spacing_m"][(found["passes"] == passes) & (found["orbits"] == orbits)][0])


def test_an_odd_pass_count_is_one_of_the_far_mirror():
    # Webster et al., Science 2013, 10.1126/science.1242902, supplement: 81 passes, 16.8 m [pub]
    # the radius is not given; (81, 20) stands for any, gcd(k, 81) = 1
    low, high = rounded(16.8, 0.1, 81)
    radius = 16.8 / 81 / (1.0 - np.cos(2.0 * np.pi * 20 / 81))
    found = reentrant_spacings(radius, radius, low, high, 81, exit_mirror="far")
    assert 81 * row(found, 81, 20) == pytest.approx(16.8, abs=1e-12)
    assert 81 not in reentrant_spacings(radius, radius, 0.0, 2 * radius, 82)["passes"]


def test_one_open_cell_makes_two_pass_counts():
    # Gurlit et al., Appl. Opt. 44, 91 (2005): 136 passes/74 m and 66 passes/36 m [pub]
    low_136, high_136 = rounded(74.0, 1.0, 136)
    low_66, high_66 = rounded(36.0, 1.0, 66)
    low, high = max(low_136, low_66), min(high_136, high_66)
    assert low < high
    # with (136, 33) at the middle, (66, 16) is less than a millimetre away [exact]
    radius = 0.5 * (low + high) / 0.953816541
    found = reentrant_spacings(radius, radius, 0.0, 2 * radius, 136)
    d_136, d_66 = row(found, 136, 33), row(found, 66, 16)
    assert low < d_66 < high
    assert abs(d_136 - d_66) < 1e-3
    assert 136 * d_136 == pytest.approx(74.0, abs=0.5)
    assert 66 * d_66 == pytest.approx(36.0, abs=0.5)


def test_a_pass_count_is_changed_by_moving_one_mirror_five_millimetres():
    # Moreau et al., Appl. Opt. 44, 5972 (2005): 3.5 m spacing, up to 544 m, 86 and 156
    # reflections, one mirror moved 5 mm [pub]. R ≈ 5.75 m is inferred, not published:
    # (86, 16) → (156, 29) needs −4.95 mm [exact]
    radius = 5.75
    found = reentrant_spacings(radius, radius, 0.0, 2 * radius, 156)
    move = row(found, 156, 29) - row(found, 86, 16)
    assert 1e3 * move == pytest.approx(-4.95, abs=0.01)
    assert row(found, 86, 16) == pytest.approx(3.5, abs=0.06)
    assert 156 * row(found, 156, 29) == pytest.approx(544.0, rel=0.015)


@pytest.mark.parametrize(
    ("passes", "length_m", "path_m", "last_digit_m"),
    [(238, 0.32, 76.0, 1.0), (182, 0.20, 36.0, 1.0), (49, 0.076, 3.7, 0.1)],
    ids=["McManus 238", "McManus 182", "Ren 49"],
)
def test_a_traced_path_is_passes_times_the_length_of_one(
    build, passes, length_m, path_m, last_digit_m
):
    # McManus, Kebabian & Zahniser, Appl. Opt. 34, 3336 (1995): 238 passes in 0.32 m, 76 m;
    # 182 passes in 0.20 m, 36 m [mem]. Ren, Luo & Tittel: 7.6 cm long, 3.7 m, about 49 passes,
    # an odd number [pub]. Path = passes × length per pass and nothing else is claimed: theirs are
    # astigmatic cells and a dense pattern, and a circle stands for any; to half a last digit
    mirror = "far" if passes % 2 else "entrance"
    orbits = next(k for k in range(passes // 5, passes) if np.gcd(2 * k, passes) in (1, 2))
    radius = length_m / (1.0 - np.cos(2.0 * np.pi * orbits / passes))
    found = reentrant_spacings(radius, radius, 0.99 * length_m, 1.01 * length_m, passes, mirror)
    assert row(found, passes, orbits) == pytest.approx(length_m, rel=1e-12)
    circle_m = 0.02 * radius
    orbit = reentrant_circle(passes, orbits, radius, radius, circle_m)
    path = trace(
        build.cell(orbit.spacing_m, radius),
        build.beam(circle_m, 0.0, *orbit.input_slopes(0.0)),
        passes,
    )
    assert path.path_length_m[passes] == pytest.approx(path_m, abs=0.5 * last_digit_m)
    back = [circle_m, 0.0]
    np.testing.assert_allclose(path.position_m[passes, :2], back, atol=1e-9)


def test_six_passes_need_one_focal_length():
    # (6, 1) at d = f = R/2 [exact]
    assert spacing_for_advance(np.pi / 3, 0.4, 0.4) == pytest.approx(0.2, abs=1e-15)
