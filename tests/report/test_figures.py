"""Figures measure right and can be told apart by everybody."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray

from autocell.bench.file import load, shipped
from autocell.description import BenchDescription, HoleDescription
from autocell.optics.trace import trace
from autocell.outcome import Outcome, Spot
from autocell.patterns import choose_pattern
from autocell.records import RunRecord
from autocell.report import figures
from autocell.report.palette import DARK, LIGHT

# Full protanopia and deuteranopia, on linear RGB: Machado, Oliveira & Fernandes, IEEE Trans.
# Vis. Comput. Graph. 15, 1291 (2009), severity 1.0 (numbers from memory).
COLOUR_VISION = {
    "normal": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
}


def linear_rgb(colour: str) -> NDArray[np.float64]:
    """IEC 61966-2-1 (sRGB) decoded."""
    encoded = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """WCAG 2.1, definition of contrast ratio."""
    dark, light = sorted(float(linear_rgb(c) @ (0.2126, 0.7152, 0.0722)) for c in (one, other))
    return (light + 0.05) / (dark + 0.05)


def lab(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 1976 L*a*b* under D65 (ISO/CIE 11664-4)."""
    to_xyz = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    ratio = np.clip(to_xyz @ linear / (0.9505, 1.0, 1.089), 0.0, None)
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("vision", COLOUR_VISION)
def test_the_colours_of_one_figure_stay_apart_without_red_or_green(
    vision: str, colours: dict[str, str]
) -> None:
    seen = {
        role: lab(COLOUR_VISION[vision] @ linear_rgb(colours[role]))
        for role in ("entrance", "far", "chosen", "paper")
    }
    for one, other in combinations(seen, 2):
        # 10 is clearly apart at a glance for lines and dots [trade].
        assert np.linalg.norm(seen[one] - seen[other]) > 10, (one, other)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_text_and_marks_have_the_contrast_that_wcag_asks_for(colours: dict[str, str]) -> None:
    for role in ("ink", "quiet", "good", "bad", "chosen"):
        assert contrast(colours[role], colours["paper"]) >= 4.5, role  # WCAG 2.1, 1.4.3
    for role in ("entrance", "far", "model"):
        assert contrast(colours[role], colours["paper"]) >= 3.0, role  # WCAG 2.1, 1.4.11


def test_the_closest_spot_of_a_circle_is_its_neighbour(bench: BenchDescription) -> None:
    orbit_m, passes, beam_m = 0.02, 62, 0.4e-3
    spots = [
        Spot(
            n,
            "entrance" if n % 2 == 0 else "far",
            orbit_m * math.cos(2 * math.pi * 15 * n / passes),
            orbit_m * math.sin(2 * math.pi * 15 * n / passes),
            beam_m,
            beam_m,
            0.0,
        )
        for n in range(passes + 1)
    ]
    found = figures.closest_to_hole(bench, spots)
    assert found is not None
    _, hole, gap = found
    assert hole.mirror == "entrance"
    # Neighbours of a circular pattern are 2 r sin(2π/N) apart: N/2 spots share the circle.
    apart = 2 * orbit_m * math.sin(2 * math.pi / passes)
    assert gap == pytest.approx((apart - bench.entrance_hole.radius_m) / beam_m, rel=1e-9)


def test_every_spot_is_numbered_in_the_figure(bench: BenchDescription, outcome: Outcome) -> None:
    assert outcome.spots is not None
    svg = figures.mirrors(bench, outcome.spots, nominal=False)
    for number in range(1, 62):
        assert f">{number}</text>" in svg
    assert ">0, 62</text>" in svg


def test_spots_that_overlap_are_numbered_together(bench: BenchDescription) -> None:
    # One focal length apart, equal mirrors: six passes, spots overlap in pairs [trade].
    setting = replace(bench.zero, spacing_m=0.25, slope_y=0.0)
    path = trace(bench.cell(0.25), bench.beam(setting), 6)
    svg = figures.mirrors(bench, Spot.along(path), nominal=True)
    for numbers in ("0, 6", "2, 4", "1, 5", "3"):
        assert f">{numbers}</text>" in svg


@pytest.fixture(scope="session")
def through_far(tmp_path_factory: pytest.TempPathFactory) -> BenchDescription:
    """The same bench with a smaller hole in the far mirror too, to leave by."""
    text = shipped("peat-bog").read_text("utf-8")
    tilt = "    tilt_tolerance_mrad: 0.3\n  minimum_gap_mm"
    hole = "\n    hole: {x_mm: 20, y_mm: 0, diameter_mm: 3, diameter_tolerance_mm: 0.05}\n"
    assert tilt in text
    file = tmp_path_factory.mktemp("far") / "bench.yaml"
    file.write_text(text.replace(tilt, tilt.replace("\n", hole, 1)), "utf-8")
    return load(file)


def test_every_hole_is_drawn_to_scale_and_looked_at_closely(through_far: BenchDescription) -> None:
    pattern = choose_pattern(through_far, 31)
    setting = pattern.setting
    path = trace(through_far.cell(setting.spacing_m), through_far.beam(setting), 31)
    spots = Spot.along(path)
    assert spots[-1].mirror == "far"  # an odd number leaves there
    drawing = figures.mirrors(through_far, spots, nominal=True)
    assert "around the entrance hole and the far hole over 31 passes" in drawing
    entrance, far, close_1, close_2 = _panels(drawing)
    for panel, radius_mm, close in ((entrance, 2.0, close_1), (far, 1.5, close_2)):
        aperture, hole = (_size(circle) for circle in panel[1:3])
        assert hole / aperture == pytest.approx(radius_mm / 24.0, rel=1e-3)
        # the close-up shows 5.4 hole radii across whatever the hole
        assert _size(close[2]) > 2.5 * hole
    assert _size(close_1[2]) == pytest.approx(_size(close_2[2]), rel=1e-3)
    for number in ("31", "1", "15"):
        assert f">{number}</text>" in drawing


def test_a_second_hole_in_the_entrance_mirror_is_called_the_exit_hole(
    bench: BenchDescription,
) -> None:
    beside = replace(bench, exit_hole=HoleDescription(0.0, 0.02, 2e-3, 0.0))
    pattern = choose_pattern(beside, 8)
    path = trace(beside.cell(pattern.setting.spacing_m), beside.beam(pattern.setting), 8)
    drawing = figures.mirrors(beside, Spot.along(path), nominal=True)
    assert "around the entrance hole and the exit hole over 8 passes" in drawing
    assert ">Exit hole, enlarged</text>" in drawing


def test_the_spot_nearest_to_a_hole_is_looked_for_at_every_hole(
    through_far: BenchDescription,
) -> None:
    beam_m = 0.4e-3

    def spot(number: int, x_m: float) -> Spot:
        return Spot(number, "far" if number % 2 else "entrance", x_m, 0.0, beam_m, beam_m, 0.0)

    spots = [spot(0, 0.02), spot(1, 0.02 - 2.5e-3), spot(2, 0.02 - 4e-3), spot(3, 0.02)]
    found = figures.closest_to_hole(through_far, spots)
    assert found is not None
    assert (found[0].pass_number, found[1].mirror) == (1, "far")
    assert found[2] == pytest.approx((2.5 - 1.5) / 0.4)
    words = figures.clearance_in_words(through_far, spots)
    assert words == (
        "The spot closest to a hole is that of pass 1, beside the far hole; "
        "its centre clears the rim by 2.5 beam radii."
    )


def _panels(drawing: str) -> list[list[str]]:
    """Outlines of the patches of each axes of a figure: its ground, the mirror, holes, spots."""
    axes = re.split(r'<g id="mirrors-axes_\d+">', drawing)[1:]
    return [re.findall(r'<g id="mirrors-patch_\d+">\s*<path d="([^"]+)"', part) for part in axes]


def _size(outline: str) -> float:
    """How wide an outline is on paper."""
    xs = [float(x) for x in re.findall(r"[MLC ](-?[\d.]+) -?[\d.]+", outline)]
    return max(xs) - min(xs)


def test_plateaus_are_labelled_with_their_pass_counts(
    bench: BenchDescription, outcome: Outcome, run: RunRecord
) -> None:
    svg = figures.staircase(bench, outcome, run.readings)
    for passes in (6, 44, 50, 56, 62, 68):
        assert f">{passes}</text>" in svg
    assert outcome.setting is not None
    assert f"{outcome.setting.spacing_m * 1e3:.3f}" in svg


def test_the_chosen_plateau_is_labelled_however_narrow(
    bench: BenchDescription, outcome: Outcome, run: RunRecord
) -> None:
    model = outcome.staircase
    assert model is not None
    assert outcome.setting is not None
    chosen = int(np.abs(np.array(model.spacing_m) - outcome.setting.spacing_m).argmin())
    passes = tuple(80 if i == chosen else seen for i, seen in enumerate(model.passes))
    narrow = replace(outcome, passes=80, staircase=replace(model, passes=passes))
    assert ">80</text>" in figures.staircase(bench, narrow, run.readings)


def test_without_margins_there_is_no_close_up(
    bench: BenchDescription, outcome: Outcome, run: RunRecord
) -> None:
    assert "close up" in figures.staircase(bench, outcome, run.readings)
    held = replace(outcome, margin_low_m=None, margin_high_m=None)
    assert "close up" not in figures.staircase(bench, held, run.readings)


def test_phases_that_follow_each_other_closely_are_all_named(run: RunRecord) -> None:
    purposes = ("reading where the bench stands", "looking for the low edge",
                "looking for the high edge", "reading the height of the plateau")  # fmt: skip
    readings = [
        replace(record, purpose=purpose, reading=replace(record.reading, time_s=time_s))
        for record, purpose, time_s in zip(run.readings, purposes, (1, 10, 11, 12), strict=False)
    ]
    svg = figures.timeline(readings, run.moves, 12.0)
    for purpose in purposes:
        assert f">{purpose}</text>" in svg


def test_readings_with_another_input_beam_are_not_shown_as_if_on_the_staircase(
    bench: BenchDescription, outcome: Outcome, run: RunRecord
) -> None:
    first = run.readings[0]
    turned = replace(first.reading.setting, slope_x=first.reading.setting.slope_x + 5e-3)
    strayed = replace(first, reading=replace(first.reading, setting=turned))
    svg = figures.staircase(bench, outcome, [strayed, *run.readings[1:]])
    assert "reading, another input beam" in svg
    assert "reading, another input beam" not in figures.staircase(bench, outcome, run.readings)


def test_a_figure_is_drawn_the_same_way_twice(run: RunRecord) -> None:
    assert figures.timeline(run.readings, run.moves, 60.0) == figures.timeline(
        run.readings, run.moves, 60.0
    )


@pytest.mark.parametrize("light", [1.0, 1e-3], ids=["of milliwatts", "of microwatts"])
def test_every_word_of_a_figure_is_on_its_paper(
    bench: BenchDescription, outcome: Outcome, run: RunRecord, light: float
) -> None:
    assert outcome.staircase is not None
    assert outcome.spots is not None
    model = outcome.staircase
    dim = replace(
        outcome,
        staircase=replace(
            model,
            power_low_w=tuple(light * power for power in model.power_low_w),
            power_median_w=tuple(light * power for power in model.power_median_w),
            power_high_w=tuple(light * power for power in model.power_high_w),
        ),
    )
    readings = [
        replace(
            record,
            reading=replace(
                record.reading,
                power_w=light * record.reading.power_w,
                uncertainty_w=light * record.reading.uncertainty_w,
            ),
        )
        for record in run.readings
    ]
    for drawing in (
        figures.staircase(bench, dim, readings),
        figures.timeline(readings, run.moves, 60.0),
        figures.mirrors(bench, outcome.spots, nominal=False),
    ):
        words = _boxes_of_words(drawing)
        assert len(words) > 10
        width, height = (
            float(size) for size in re.findall(r'viewBox="0 0 (\S+) (\S+)"', drawing)[0]
        )
        for word, (left, right, top, bottom) in words:
            assert left > -1.0, word
            assert right < width + 1.0, word
            assert top > -1.0, word
            assert bottom < height + 1.0, word


def _boxes_of_words(drawing: str) -> list[tuple[str, tuple[float, float, float, float]]]:
    """Each word of a figure with its left, right, top and bottom on paper, by so many letters of
    usual width."""
    found = []
    for attributes, word in re.findall(r"<text ([^>]*)>([^<]+)</text>", drawing):
        size, place, turned = (
            re.findall(pattern, attributes)
            for pattern in (
                r"([\d.]+)px",
                r"(?:translate\(|rotate\(\S+ )(\S+) (\S+)\)",
                r"rotate\(-90 ",
            )
        )
        size = float(size[0])
        ((x, y),) = [(float(x), float(y)) for x, y in place]
        length = 0.55 * size * len(word)
        anchor = re.findall(r"text-anchor: (\w+)", attributes)
        before = {"middle": 0.5, "end": 1.0}.get(anchor[0] if anchor else "start", 0.0) * length
        if turned:
            box = (x - 0.8 * size, x + 0.2 * size, y - length + before, y + before)
        else:
            box = (x - before, x - before + length, y - 0.8 * size, y + 0.2 * size)
        found.append((word, box))
    return found
