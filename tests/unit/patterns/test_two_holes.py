"""Patterns that begin at one hole and end at another, wherever both are."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from autocell.description import BenchDescription
from autocell.errors import NoSuchPattern
from autocell.optics.trace import trace
from autocell.patterns import Pattern, choose_pattern, list_patterns, spacing_reach

Bench = Callable[..., BenchDescription]

FREE = ("limits_mrad: [-15, 15]", "limits_mrad: [-900, 900]")
FAR_TILT = "    tilt_tolerance_mrad: 0.3\n  minimum_gap_mm"
ENTRANCE = "hole: {x_mm: 20, y_mm: 0, diameter_mm: 4, diameter_tolerance_mm: 0.05}"


def hole(x_mm: float, y_mm: float) -> str:
    return f"{{x_mm: {x_mm}, y_mm: {y_mm}, diameter_mm: 4, diameter_tolerance_mm: 0.05}}"


def far_hole(x_mm: float, y_mm: float) -> tuple[str, str]:
    return FAR_TILT, FAR_TILT.replace("\n", f"\n    hole: {hole(x_mm, y_mm)}\n", 1)


def exit_hole(x_mm: float, y_mm: float) -> tuple[str, str]:
    return ENTRANCE, f"{ENTRANCE}\n    exit_hole: {hole(x_mm, y_mm)}"


def usable(patterns: list[Pattern]) -> list[Pattern]:
    return [pattern for pattern in patterns if not pattern.rejected]


@pytest.mark.parametrize(
    ("way_out", "odd"),
    [
        (far_hole(14.142135623731, 14.142135623731), True),
        (far_hole(8.0, 8.0), True),
        (exit_hole(0.0, 20.0), False),
        (exit_hole(0.0, 12.0), False),
    ],
    ids=["far, at 45°", "far, nearer to the axis", "entrance, at 90°", "entrance, nearer"],
)
def test_ellipses_lead_from_hole_to_hole(bench: Bench, way_out: tuple[str, str], odd: bool) -> None:
    described = bench(FREE, way_out)
    found = usable(list_patterns(described, shape="ellipse", max_passes=30))
    assert len(found) > 5
    end = described.way_out
    assert end is not None
    low, high = spacing_reach(described)
    for pattern in found:
        assert pattern.passes % 2 == odd
        assert 0.0 < pattern.axis_ratio < 1.0
        assert low <= pattern.setting.spacing_m <= high
        # R^(N−1) of it leaves on the last pass, near the middle of the way out (F16)
        assert pattern.throughput == pytest.approx(0.985 ** (pattern.passes - 1), rel=0.01)
        path = trace(
            described.cell(pattern.setting.spacing_m),
            described.beam(pattern.setting),
            pattern.passes,
        )
        leaves = path.position_m[pattern.passes, :2] - [end.x_m, end.y_m]
        assert np.hypot(*leaves) < 0.75 * end.radius_m
        # the spots lie on one ellipse about the axis, to the third order of r/R
        place = path.position_m[:-1:2, :2]
        if len(place) > 4:
            x, y = place.T
            conic, *_ = np.linalg.lstsq(np.stack([x * x, x * y, y * y], -1), np.ones(len(x)))
            np.testing.assert_allclose(conic @ np.stack([x * x, x * y, y * y]), 1.0, atol=0.06)


def test_where_the_way_out_is_off_the_circle_only_the_ellipse_has_patterns(bench: Bench) -> None:
    described = bench(FREE, far_hole(8.0, 8.0))
    with pytest.raises(NoSuchPattern, match=r"20\.0 mm from the axis, and the way out is 11\.3 mm"):
        choose_pattern(described, 25)
    with pytest.raises(NoSuchPattern, match="none as a circle; another shape may"):
        choose_pattern(described, 25)
    ellipse = choose_pattern(described, 25, shape="ellipse")
    assert choose_pattern(described, 25, shape=None) == ellipse
    assert ellipse.margin_drifts > 10.0


def test_no_line_leads_to_a_hole_beside_it(bench: Bench) -> None:
    with pytest.raises(NoSuchPattern, match="no line leads from the entrance hole to the way out"):
        choose_pattern(bench(FREE, far_hole(8.0, 8.0)), 25, shape="line")


def test_on_one_line_through_the_axis_only_lines_lead_to_another_distance(bench: Bench) -> None:
    described = bench(FREE, exit_hole(12.0, 0.0))
    line = choose_pattern(described, 12, shape="line")
    assert (line.axis_ratio, line.setting.slope_y) == (0.0, pytest.approx(0.0, abs=1e-12))
    assert line.throughput == pytest.approx(0.985**11, rel=0.01)
    assert choose_pattern(described, 12, shape=None) == line
    with pytest.raises(NoSuchPattern, match=r"no ellipse leads .* different distances"):
        choose_pattern(described, 26, shape="ellipse")
    with pytest.raises(NoSuchPattern, match=r"and the way out is 12\.0 mm from it"):
        choose_pattern(described, 26)


def test_a_second_hole_in_the_entrance_mirror_lets_circles_out_at_its_azimuth(bench: Bench) -> None:
    """Nθ = 2πk + φ with N even [exact]: a quarter turn further, 8 passes and one turn have
    d = 2R − (1 + cos θ) √(R² − r²), θ = 2π (1 + 1/4)/8."""
    described = bench(FREE, exit_hole(0.0, 20.0))
    found = choose_pattern(described, 8)
    theta = 2.0 * math.pi * 1.25 / 8.0
    exact_m = 1.0 - (1.0 + math.cos(theta)) * math.sqrt(0.5**2 - 0.02**2)
    assert found.orbits == 1
    assert found.setting.spacing_m == pytest.approx(exact_m, abs=0.2 * found.plateau_width_m)
    assert found.throughput == pytest.approx(0.985**7, rel=0.005)
    # straight opposite, φ = π, both senses of rotation are one and every shape leads there
    opposite = bench(FREE, exit_hole(-20.0, 0.0))
    for shape in ("circle", "ellipse"):
        assert choose_pattern(opposite, 22, shape=shape).orbits == 3


def test_a_free_shape_has_at_least_the_margin_of_each(bench: Bench) -> None:
    described = bench(FREE, far_hole(14.142135623731, 14.142135623731))
    for passes in (7, 25, 33):
        free = choose_pattern(described, passes, shape=None)
        for shape in ("circle", "ellipse"):
            asked = choose_pattern(described, passes, shape=shape)  # type: ignore[arg-type]
            assert free.margin_drifts >= asked.margin_drifts


def test_each_number_of_half_turns_is_listed_once(bench: Bench) -> None:
    described = bench(FREE, far_hole(14.142135623731, 14.142135623731))
    found = list_patterns(described, shape=None, max_passes=25)
    for passes in {pattern.passes for pattern in found}:
        spacings = sorted(p.setting.spacing_m for p in found if p.passes == passes)
        assert len(spacings) == len(set(spacings))
    low, high = spacing_reach(described)
    theta = [math.acos(1.0 - d / 0.5) for d in (low, high)]
    between = math.floor(25 * theta[1] / math.pi) - math.floor(25 * theta[0] / math.pi) + 1
    assert len([p for p in found if p.passes == 25]) == between
