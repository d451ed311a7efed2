"""Far hole, toroidal mirror, elliptical beam, detector and window: the simulated bench and the
belief take them from the bench file alike, whatever either adds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from autocell_simulators.optics import TrueOptics
from autocell_simulators.truth import draw_truth

from autocell.belief.model import BenchModel
from autocell.bench.file import load, shipped
from autocell.description import BenchDescription
from autocell.optics.cell import Detector
from autocell.optics.trace import exit_power, trace
from autocell.patterns import choose_pattern

FAR_TILT = "    tilt_tolerance_mrad: 0.3\n  minimum_gap_mm"
HOLE = "\n    hole: {x_mm: 20, y_mm: 0, diameter_mm: 4, diameter_tolerance_mm: 0.05}\n"
DETECTOR = "detector: {diameter_mm: 12, distance_mm: 60, x_mm: 22.4, y_mm: 4.3}\n\n"
CHANGES = (
    (FAR_TILT, FAR_TILT.replace("\n", HOLE, 1)),
    ("  minimum_gap_mm", "  window_transmission: 0.9\n  minimum_gap_mm"),
    ("    radius_mm: 500\n", "    radius_mm: 500\n    radius_y_mm: 500.4\n"),
    ("  waist_mm: 0.33 ", "  waist_y_mm: 0.3\n  waist_distance_y_mm: 90\n  waist_mm: 0.33 "),
    ("devices:\n", DETECTOR + "devices:\n"),
)  # fmt: skip


@pytest.fixture
def bench(tmp_path: Path) -> BenchDescription:
    text = shipped("peat-bog").read_text("utf-8")
    for old, new in CHANGES:
        assert old in text
        text = text.replace(old, new, 1)
    file = tmp_path / "bench.yaml"
    file.write_text(text, "utf-8")
    return load(file)


def test_a_bench_that_is_as_its_file_says_shows_what_the_file_says(
    bench: BenchDescription,
) -> None:
    pattern = choose_pattern(bench, 31)
    at = bench.positions(pattern.setting)
    described = exit_power(bench.cell(pattern.setting.spacing_m), bench.beam(pattern.setting), 80)
    true = TrueOptics(bench, draw_truth(bench, 5, scale=0.0))
    seen = true.exit(at)
    assert int(seen.passes) == 31  # odd: through the far mirror
    assert float(seen.power) == pytest.approx(float(described.power), rel=1e-9)
    assert true.arriving_w(0.0) == pytest.approx(0.9 * 8e-3)
    model = BenchModel(bench, max_passes=80)
    expected = model.predict(np.zeros((1, model.prior.centre.size)), [pattern.setting])
    assert float(expected.power_w[0, 0]) == pytest.approx(
        0.9 * 8e-3 * float(described.power), rel=1e-3
    )
    assert int(expected.passes[0, 0]) == 31


def test_a_turned_ellipse_through_a_second_hole_is_the_same_for_bench_and_belief(
    tmp_path: Path,
) -> None:
    text = shipped("peat-bog").read_text("utf-8")
    entrance = "diameter_mm: 4, diameter_tolerance_mm: 0.05}\n"
    for old, new in (
        (entrance, f"{entrance}    exit_hole: {{x_mm: 0, y_mm: 20, {entrance}"),
        ("  waist_mm: 0.33 ", "  waist_y_mm: 0.2\n  ellipse_angle_deg: 30\n  waist_mm: 0.33 "),
        ("[-15, 15]", "[-40, 40]"),
    ):
        assert old in text
        text = text.replace(old, new)
    file = tmp_path / "bench.yaml"
    file.write_text(text, "utf-8")
    bench = load(file)
    pattern = choose_pattern(bench, 28)
    at = bench.positions(pattern.setting)
    described = exit_power(bench.cell(pattern.setting.spacing_m), bench.beam(pattern.setting), 80)
    assert float(described.passes_power) == pytest.approx(0.985**27, rel=1e-3)  # R^(N−1)
    true = TrueOptics(bench, draw_truth(bench, 5, scale=0.0))
    # what the simulated bench has of its own leaves the angle alone
    assert true.beam(at).ellipse_angle_rad == pytest.approx(np.pi / 6)
    assert (int(true.exit(at).passes), int(described.passes)) == (28, 28)
    assert float(true.exit(at).power) == pytest.approx(float(described.power), rel=1e-9)
    model = BenchModel(bench, max_passes=80)
    expected = model.predict(np.zeros((1, model.prior.centre.size)), [pattern.setting])
    assert float(expected.power_w[0, 0]) == pytest.approx(8e-3 * float(described.power), rel=1e-3)


def test_half_of_the_beam_falls_on_a_detector_whose_edge_is_in_its_middle(
    bench: BenchDescription,
) -> None:
    pattern = choose_pattern(bench, 31)
    cell, beam = bench.cell(pattern.setting.spacing_m), bench.beam(pattern.setting)
    out = trace(cell, beam, 31)
    place, along = out.position_m[31], out.direction[30]
    on_plane = place + along * (cell.spacing_m + 60e-3 - place[2]) / along[2]
    assert float(out.exit.power) == pytest.approx(0.985**30, rel=1e-3)  # all of it, R^(N−1)
    beside = Detector(6e-3, 60e-3, on_plane[0], on_plane[1] - 6e-3)
    half = exit_power(replace(bench, detector=beside).cell(pattern.setting.spacing_m), beam, 80)
    # a little less than half: the edge is round
    assert 0.47 < float(half.power) / float(out.exit.power) < 0.5


def test_stray_light_and_acceptance_are_the_same_for_bench_and_belief(
    bench: BenchDescription,
) -> None:
    pattern = choose_pattern(bench, 31)
    at = bench.positions(pattern.setting)
    described = bench.detector

    def read(detector: Detector) -> tuple[float, float]:
        """As a share of what arrives: the simulated bench, the belief."""
        described_so = replace(bench, detector=detector)
        true = TrueOptics(described_so, draw_truth(described_so, 5, scale=0.0))
        model = BenchModel(described_so, max_passes=80)
        expected = model.predict(np.zeros((1, model.prior.centre.size)), [pattern.setting])
        assert int(true.exit(at).passes) == int(expected.passes[0, 0])
        share = float(expected.power_w[0, 0]) / bench.lossless_reading_w
        return float(true.exit(at).power), share

    for detector, less, more in (
        (replace(described, stray_fraction=0.02), 0.0, 0.02),
        # facing away from the light by more than the cone is wide
        (replace(described, acceptance_rad=0.01, slope_x=0.5), 1.0, 0.0),
        (replace(described, acceptance_rad=0.2, slope_x=0.0, slope_y=0.0), 0.0, 0.0),
    ):
        plain, changed = read(described), read(detector)
        assert changed[0] == pytest.approx((1.0 - less) * plain[0] + more, abs=1e-12)
        assert changed[1] == pytest.approx((1.0 - less) * plain[1] + more, abs=1e-6)
