"""Far hole, toroidal mirrors, elliptical beam, detector and window of a bench file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from autocell.bench.file import load, shipped
from autocell.description import BenchDescription
from autocell.errors import BenchFileError
from autocell.optics.cell import Detector
from autocell.optics.trace import trace

GOOD = shipped("peat-bog").read_text("utf-8")
FAR_TILT = "    tilt_tolerance_mrad: 0.3\n  minimum_gap_mm"
FAR_HOLE = "    hole: {x_mm: 20, y_mm: 0, diameter_mm: 5, diameter_tolerance_mm: 0.1}\n"
DETECTOR = "detector: {diameter_mm: 12, distance_mm: 60, x_mm: 22.4, y_mm: 4.2}\n\n"
Change = tuple[str, str]


def changed(*changes: Change) -> str:
    text = GOOD
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return text


def detector_with(keys: str, distance: int = 60) -> list[Change]:
    """The change that adds a detector with further keys."""
    section = DETECTOR.replace("}", f", {keys}}}").replace(": 60", f": {distance}")
    return [("devices:\n", section + "devices:\n")]


@pytest.fixture
def bench(tmp_path: Path) -> Callable[..., BenchDescription]:
    """Load the good file with some text replaced."""

    def loaded(*changes: Change) -> BenchDescription:
        file = tmp_path / "bench.yaml"
        file.write_text(changed(*changes), "utf-8")
        return load(file)

    return loaded


@pytest.fixture
def refusal(tmp_path: Path) -> Callable[..., list[str]]:
    """The lines of the error that loading the good file with some text replaced gives."""

    def refused(*changes: Change) -> list[str]:
        file = tmp_path / "bench.yaml"
        file.write_text(changed(*changes), "utf-8")
        with pytest.raises(BenchFileError) as error:
            load(file)
        return str(error.value).replace(str(file), "bench.yaml").splitlines()

    return refused


with_far_hole = (FAR_TILT, FAR_TILT.replace("\n", "\n" + FAR_HOLE, 1))


def test_a_file_without_the_optional_parts_describes_what_it_did(
    bench: Callable[..., BenchDescription],
) -> None:
    plain = bench()
    cell, beam = plain.cell(0.22), plain.beam(plain.zero)
    assert [hole.mirror for hole in cell.holes] == ["entrance"]
    assert cell.exit_mirror == "entrance"
    assert cell.detector.radius_m == np.inf
    for mirror in (cell.entrance_mirror, cell.far_mirror):
        assert mirror.radius_x_m == mirror.radius_y_m == pytest.approx(0.5)
    assert beam.waist_x_m == beam.waist_y_m == pytest.approx(0.33e-3)
    assert beam.waist_distance_x_m == beam.waist_distance_y_m == pytest.approx(0.115)
    assert plain.lossless_reading_w == plain.laser.power_w == pytest.approx(8e-3)


def test_a_hole_in_the_far_mirror_is_the_way_out_unless_said_otherwise(
    bench: Callable[..., BenchDescription],
) -> None:
    through = bench(with_far_hole)
    assert through.far_hole is not None
    assert through.far_hole.radius_tolerance_m == pytest.approx(0.05e-3)
    cell = through.cell(0.22)
    assert cell.exit_mirror == "far"
    assert [(hole.mirror, hole.radius_m) for hole in cell.holes] == [
        ("entrance", pytest.approx(2e-3)),
        ("far", pytest.approx(2.5e-3)),
    ]
    back = bench(
        with_far_hole, ("  minimum_gap_mm: 195", "  exit_mirror: entrance\n  minimum_gap_mm: 195")
    )
    assert back.cell(0.22).exit_mirror == "entrance"


def test_toroidal_mirror_elliptical_beam_detector_and_window(
    bench: Callable[..., BenchDescription],
) -> None:
    rich = bench(
        ("    radius_mm: 500\n", "    radius_mm: 500\n    radius_y_mm: 501.5\n"),
        ("  waist_mm: 0.33 ", "  waist_y_mm: 0.28\n  waist_distance_y_mm: -20\n  waist_mm: 0.33 "),
        ("devices:\n", DETECTOR + "devices:\n"),
        ("  minimum_gap_mm: 195", "  window_transmission: 0.92\n  minimum_gap_mm: 195"),
    )
    cell, beam = rich.cell(0.22), rich.beam(rich.zero)
    assert cell.entrance_mirror.radius_x_m == pytest.approx(0.5)
    assert cell.entrance_mirror.radius_y_m == pytest.approx(0.5015)
    assert cell.far_mirror.radius_y_m == pytest.approx(0.5)
    assert (beam.waist_x_m, beam.waist_y_m) == pytest.approx((0.33e-3, 0.28e-3))
    assert (beam.waist_distance_x_m, beam.waist_distance_y_m) == pytest.approx((0.115, -0.02))
    seen = cell.detector
    assert (seen.radius_m, seen.distance_m) == pytest.approx((6e-3, 60e-3))
    assert (seen.x_m, seen.y_m) == pytest.approx((22.4e-3, 4.2e-3))
    assert rich.lossless_reading_w == pytest.approx(0.92 * 8e-3)


EXIT = "{x_mm: -12, y_mm: 9, diameter_mm: 3, diameter_tolerance_mm: 0.1}"
ENTRANCE_HOLE = "    hole: {x_mm: 20, y_mm: 0, diameter_mm: 4, diameter_tolerance_mm: 0.05}\n"


def with_exit_hole(hole: str = EXIT) -> Change:
    return ENTRANCE_HOLE, f"{ENTRANCE_HOLE}    exit_hole: {hole}\n"


def test_a_second_hole_in_the_entrance_mirror_is_the_way_out(
    bench: Callable[..., BenchDescription],
) -> None:
    two = bench(with_exit_hole())
    cell = two.cell(0.22)
    assert cell.exit_mirror == "entrance"
    assert [(hole.mirror, hole.x_m, hole.y_m, hole.radius_m) for hole in cell.holes] == [
        ("entrance", 0.02, 0.0, pytest.approx(2e-3)),
        ("entrance", -0.012, pytest.approx(9e-3), pytest.approx(1.5e-3)),
    ]
    assert two.way_out == two.exit_hole
    assert bench().way_out is None
    # with a hole in the far mirror too, the one called exit hole is the exit
    three = bench(with_exit_hole(), with_far_hole)
    assert [hole.mirror for hole in three.cell(0.22).holes] == ["entrance", "entrance", "far"]
    assert three.cell(0.22).exit_mirror == "entrance"
    assert three.hole_names == ["entrance hole", "exit hole", "far hole"]
    # a detector faces it
    seen = bench(
        with_exit_hole(),
        ("devices:\n", DETECTOR.replace("}", ", acceptance_mrad: 9}") + "devices:\n"),
    ).detector
    assert (seen.slope_x, seen.slope_y) == pytest.approx((-34.4 / 60, 4.8 / 60))


def test_the_ellipse_of_the_input_beam_may_be_turned(
    bench: Callable[..., BenchDescription],
) -> None:
    """The large axis of the spot that enters lies at the angle that the file says, plus 90° where
    the larger waist is that along the beam's y."""
    turned = bench(
        ("  waist_mm: 0.33 ", "  waist_y_mm: 0.2\n  ellipse_angle_deg: 30\n  waist_mm: 0.33 ")
    )
    beam = turned.beam(turned.zero)
    assert beam.ellipse_angle_rad == pytest.approx(np.pi / 6)
    assert bench().beam(bench().zero).ellipse_angle_rad == 0.0
    head_on = replace(
        beam, slope_x=0.0, slope_y=0.0, waist_distance_x_m=0.0, waist_distance_y_m=0.0
    )
    path = trace(turned.cell(0.22), replace(head_on, x_m=0.0), 0)
    assert path.ellipse_angle_rad[0] == pytest.approx(np.pi / 6, abs=1e-12)


def test_a_detector_accepts_a_cone_about_the_light_that_it_faces(
    bench: Callable[..., BenchDescription],
) -> None:
    def detector(keys: str, *more: Change) -> Detector:
        section = DETECTOR.replace("}", f", {keys}}}")
        return bench(("devices:\n", section + "devices:\n"), *more).cell(0.22).detector

    assert bench(("devices:\n", DETECTOR + "devices:\n")).detector.acceptance_rad == np.inf
    plain = detector("acceptance_mrad: 30, stray_fraction: 0.002")
    assert plain.acceptance_rad == pytest.approx(0.03)
    assert plain.stray_fraction == pytest.approx(0.002)
    # from the hole at (20, 0) mm to (22.4, 4.2) mm, 60 mm outside: the beam runs towards −z there
    assert (plain.slope_x, plain.slope_y) == pytest.approx((-2.4 / 60, -4.2 / 60))
    through = detector("acceptance_mrad: 30", with_far_hole)
    assert (through.slope_x, through.slope_y) == pytest.approx((2.4 / 60, 4.2 / 60))
    given = detector("acceptance_mrad: 30, slope_x_mrad: 12, slope_y_mrad: -70")
    assert (given.slope_x, given.slope_y) == pytest.approx((0.012, -0.07))


@pytest.mark.parametrize(
    ("changes", "line", "where", "cure"),
    [
        ([(FAR_TILT, FAR_TILT.replace("\n", "\n" + FAR_HOLE.replace("20", "22"), 1))],
         "    hole: {x_mm: 22", "cell.far_mirror.hole", "cut by the edge"),
        ([(FAR_TILT, FAR_TILT.replace("\n", "\n" + FAR_HOLE.replace(", y_mm: 0", ""), 1))],
         "    hole: {x_mm: 20, diameter_mm: 5", "cell.far_mirror.hole.y_mm", "missing"),
        ([with_exit_hole("{x_mm: -23, y_mm: 0, diameter_mm: 3, diameter_tolerance_mm: 0.1}")],
         "    exit_hole:", "cell.entrance_mirror.exit_hole", "cut by the edge"),
        ([with_exit_hole("{x_mm: 17, y_mm: 0, diameter_mm: 3, diameter_tolerance_mm: 0.1}")],
         "    exit_hole:", "cell.entrance_mirror.exit_hole", "must be more than 3.5 mm"),
        ([with_exit_hole(), with_far_hole, ("  minimum_gap", "  exit_mirror: far\n  minimum_gap")],
         "    exit_hole:", "cell.entrance_mirror.exit_hole", "leave out one of them"),
        ([with_exit_hole("{x_mm: 17, y_mm: 0, diameter_tolerance_mm: 0.1}")],
         "    exit_hole:", "cell.entrance_mirror.exit_hole.diameter_mm", "missing"),
        ([("  waist_mm: 0.33 ", "  ellipse_angle_mrad: 300\n  waist_mm: 0.33 ")],
         "  ellipse_angle_mrad", "input_beam.ellipse_angle_mrad", "write ellipse_angle_deg"),
        ([("  minimum_gap", "  exit_mirror: far\n  minimum_gap")],
         "  exit_mirror: far", "cell.exit_mirror", "far mirror has no hole"),
        ([("  minimum_gap", "  exit_mirror: back\n  minimum_gap")],
         "  exit_mirror: back", "cell.exit_mirror", "'entrance', 'far'"),
        ([("  minimum_gap", "  window_transmission: 92\n  minimum_gap")],
         "  window_transmission: 92", "cell.window_transmission", "92"),
        ([("  minimum_gap", "  window_transmission: 0\n  minimum_gap")],
         "  window_transmission: 0", "cell.window_transmission", "more than 0"),
        ([("    radius_mm: 500\n", "    radius_mm: 500\n    radius_y_mm: -500\n")],
         "    radius_y_mm: -500", "cell.entrance_mirror.radius_y_mm", "more than 0"),
        ([("    radius_mm: 500\n", "    radius_mm: 500\n    radius_y_mm: 220\n")],
         "    limits_mm: [0, 50]", "axes.spacing.limits_mm", "220 to 500 mm"),
        ([("  waist_mm: 0.33 ", "  waist_y_um: 280\n  waist_mm: 0.33 ")],
         "  waist_y_um: 280", "input_beam.waist_y_um", "write waist_y_mm"),
        ([("devices:\n", DETECTOR.replace("12", "0") + "devices:\n")],
         "detector:", "detector.diameter_mm", "more than 0"),
        ([("devices:\n", DETECTOR.replace(", x_mm: 22.4", "") + "devices:\n")],
         "detector:", "detector.x_mm", "missing"),
        ([("devices:\n", "detector: 12\ndevices:\n")], "detector: 12", "detector", "section"),
        (detector_with("acceptance_mrad: 0"), "detector:", "detector.acceptance_mrad",
         "more than 0"),
        (detector_with("acceptance_mrad: 1700"), "detector:", "detector.acceptance_mrad", "1570"),
        (detector_with("acceptance_deg: 2"), "detector:", "detector.acceptance_deg",
         "write acceptance_mrad"),
        (detector_with("stray_fraction: 2"), "detector:", "detector.stray_fraction",
         "less than 1"),
        (detector_with("stray_fraction: -0.01"), "detector:", "detector.stray_fraction", "0"),
        (detector_with("acceptance_mrad: 20", distance=0), "detector:",
         "detector.acceptance_mrad", "slope_x_mrad"),
    ],
)  # fmt: skip
def test_a_fault_is_named_with_line_path_and_cure(
    refusal: Callable[..., list[str]], changes: list[Change], line: str, where: str, cure: str
) -> None:
    (error,) = refusal(*changes)
    text = changed(*changes)
    number = text[: text.index(line)].count("\n") + 1
    assert error.startswith(f"bench.yaml:{number}: {where}: ")
    assert cure in error
