"""Lines, ellipses and circles: what the spots look like and which keeps most margin."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from autocell.description import BenchDescription
from autocell.errors import NoSuchPattern
from autocell.optics.trace import trace
from autocell.patterns import SHAPES, Pattern, choose_pattern, list_patterns

Bench = Callable[..., BenchDescription]

NEAR_LINE = ("slope_y_mrad: 70", "slope_y_mrad: 0")
"""The input axes reach ± 15 mrad around this."""

SMALL_HOLE = ("y_mm: 0, diameter_mm: 4,", "y_mm: 0, diameter_mm: 1.5,")

WIDE = ("limits_mrad: [-15, 15]", "limits_mrad: [-90, 90]")


def spots(bench: BenchDescription, pattern: Pattern) -> np.ndarray:
    setting = pattern.setting
    return trace(bench.cell(setting.spacing_m), bench.beam(setting), pattern.passes).position_m


def test_a_line_has_no_width_and_half_of_its_spots_overlap(bench: Bench) -> None:
    """In a line pattern spots overlap in pairs: 13 reflections on a mirror look like 7 [trade].
    With 28 passes 13 are on the entrance mirror; x_n = x_(N−n) (F2, of cos alone) [exact]."""
    described = bench(NEAR_LINE, ("limits_mm: [0, 50]", "limits_mm: [0, 400]"), SMALL_HOLE)
    (found, *_) = list_patterns(described, passes=28, shape="line")
    assert found.shape == "line"
    place = spots(described, found)
    assert np.abs(place[:, 1]).max() < 1e-12
    # in the middle of its plateau a line is nearly, not quite, re-entrant
    reflections = np.sort(place[2:28:2, 0])
    assert len(reflections) == 13
    assert 1 + np.sum(np.diff(reflections) > 0.8e-3) == 7


@pytest.mark.parametrize("ratio_of", ["ellipse", "circle"])
def test_the_half_axes_are_as_the_ratio_says(bench: Bench, ratio_of: str) -> None:
    described = bench(WIDE)
    pattern = choose_pattern(described, 62, shape=ratio_of)  # type: ignore[arg-type]
    place = spots(described, pattern)[::2]
    across, along = np.abs(place[:, 1]).max(), np.abs(place[:, 0]).max()
    assert across / along == pytest.approx(pattern.axis_ratio, rel=0.02)
    # and every spot lies on the ellipse, to the third order of r/R
    on = np.hypot(place[:, 0] / 0.02, place[:, 1] / (0.02 * pattern.axis_ratio))
    np.testing.assert_allclose(on, 1.0, atol=0.03)


def test_an_ellipse_has_the_tangential_slope_of_the_circle_times_its_ratio(bench: Bench) -> None:
    described = bench()
    circle = choose_pattern(described, 62)
    ellipse = choose_pattern(described, 62, shape="ellipse")
    assert ellipse.setting.slope_x == circle.setting.slope_x
    assert ellipse.setting.slope_y == pytest.approx(
        ellipse.axis_ratio * circle.setting.slope_y, abs=1e-15
    )
    assert 0.0 < ellipse.axis_ratio != 1.0
    assert ellipse.shape == "ellipse"


@pytest.mark.parametrize("passes", [26, 62, 82])
def test_a_free_shape_has_at_least_the_margin_of_each(bench: Bench, passes: int) -> None:
    described = bench(WIDE)
    free = choose_pattern(described, passes, shape=None)
    for shape in SHAPES:
        try:
            asked = choose_pattern(described, passes, shape=shape)
        except NoSuchPattern:
            continue
        assert asked.shape == shape
        assert free.margin_drifts >= asked.margin_drifts


def test_few_passes_prefer_a_narrow_pattern_and_many_a_wide_one(bench: Bench) -> None:
    """The exit slides along b, so that a narrow ellipse has a wide plateau (F10 with b for r)
    [exact, paraxial]; many spots need the length of the wide one to keep off the hole. The facts
    of the trade say the same: a larger orbit allows more passes [trade]."""
    described = bench(WIDE)
    ratios = [choose_pattern(described, n, shape=None).axis_ratio for n in (26, 62, 94)]
    assert ratios == sorted(ratios)
    assert ratios[0] < 1.0 < ratios[-1]
    circle, narrow = (choose_pattern(described, 26, shape=s) for s in ("circle", "ellipse"))
    slides = circle.plateau_width_m / narrow.plateau_width_m
    assert slides == pytest.approx(narrow.axis_ratio, rel=0.1)


def test_a_wide_ellipse_keeps_off_the_edge_of_the_mirror(bench: Bench) -> None:
    for pattern in list_patterns(bench(WIDE), shape="ellipse", passes=94):
        if not pattern.rejected:
            assert pattern.aperture_clearance_beam_radii >= 2.5
    wide = choose_pattern(bench(WIDE), 94, shape="ellipse")
    cut = ("clear_aperture_mm: 48 ", "clear_aperture_mm: 46.2 ")
    with pytest.raises(NoSuchPattern):
        choose_pattern(bench(WIDE, cut), 94, shape="ellipse")
    assert wide.axis_ratio > 1.0


def test_a_line_of_many_passes_is_rejected_because_its_spots_crowd_at_the_hole(
    bench: Bench,
) -> None:
    """Near its end the spots of a line lie r (1 − cos 4π/N) apart [exact, paraxial]: 2.3 mm for
    N = 26, hardly more than the hole's radius of 2 mm."""
    described = bench(NEAR_LINE)
    (pattern,) = list_patterns(described, passes=26, shape="line")
    assert pattern.clearance_beam_radii < 2.5
    assert any("clears it by" in why for why in pattern.rejected)


def test_six_passes_on_a_line_have_the_widest_plateau(bench: Bench) -> None:
    """The exit of a line turns back at the hole instead of sliding through it, so that its distance
    from the hole goes as the square of the error: nothing changes until the spacing has moved
    enough [trade]."""
    six = {
        shape: list_patterns(bench(WIDE), passes=6, shape=shape)[0] for shape in ("line", "circle")
    }
    assert six["line"].plateau_width_m > 3.0 * six["circle"].plateau_width_m


def test_json_says_the_shape(bench: Bench) -> None:
    values = choose_pattern(bench(), 62, shape="ellipse").as_json()
    assert values["shape"] == "ellipse"
    assert values["limited_by"] == "spacing"
    assert {"axis_ratio", "margin_drifts", "aperture_clearance_beam_radii"} <= set(values)
