"""An odd pass count leaves through a hole in the far mirror: the whole way, on a simulated bench
whose detector accepts a cone and sees a little stray light."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from autocell_simulators.bench import SimulatedBench

from autocell.bench.file import load, shipped
from autocell.description import BenchDescription
from autocell.outcome import Verdict
from autocell.report import figures

from .conftest import Change

PASSES, REFLECTIVITY = 31, 0.985
CHANGES = (
    (
        "    tilt_tolerance_mrad: 0.3\n  minimum_gap_mm",
        "    tilt_tolerance_mrad: 0.3\n"
        "    hole: {x_mm: 20, y_mm: 0, diameter_mm: 4, diameter_tolerance_mm: 0.05}\n"
        "  minimum_gap_mm",
    ),
    (
        "devices:\n",
        "detector: {diameter_mm: 12, distance_mm: 60, x_mm: 22.4, y_mm: 4.3, "
        "acceptance_mrad: 40, stray_fraction: 0.003}\n\ndevices:\n",
    ),
    ("limits_mm: [0, 50]", "limits_mm: [-16, 34]"),
    ("spacing_at_zero_mm: 210", "spacing_at_zero_mm: 227"),
)


@pytest.fixture
def through_far(tmp_path: Path) -> BenchDescription:
    """The shipped bench with a hole in the far mirror; at zero, nineteen passes show."""
    text = shipped("peat-bog").read_text("utf-8")
    for old, new in CHANGES:
        assert text.count(old) == 1
        text = text.replace(old, new)
    file = tmp_path / "bench.yaml"
    file.write_text(text, "utf-8")
    shutil.copy(shipped("plain-motion"), tmp_path / "plain-motion.yaml")
    return load(file)


def at_zero(simulated: SimulatedBench) -> None:
    for axis in simulated.axes.values():
        axis.place(0.0)


def test_an_odd_pass_count_is_set_and_proved_through_the_far_mirror(
    change: Change, through_far: BenchDescription
) -> None:
    ended = change(PASSES, 1, bench=through_far, spoil=at_zero)
    outcome, truth = ended.outcome, ended.truth
    assert outcome.verdict is Verdict.REACHED
    assert outcome.passes == truth["passes"] == PASSES
    assert min(truth["margin_low_m"], truth["margin_high_m"]) > 0.5e-3
    length = outcome.path_length
    assert length is not None
    assert abs(length.value_m - truth["path_length_m"]) < 1.5 * length.expanded_u_m
    assert length.value_m == pytest.approx(PASSES * truth["spacing_m"], rel=5e-3)
    assert outcome.throughput == pytest.approx(REFLECTIVITY ** (PASSES - 1), abs=0.03)
    spots = outcome.spots
    assert spots is not None
    assert (spots[-1].pass_number, spots[-1].mirror) == (PASSES, "far")
    away = (spots[-1].x_m - 20e-3) ** 2 + spots[-1].y_m ** 2
    assert away < (2e-3) ** 2  # in its hole
    assert "Far hole, enlarged" in figures.mirrors(through_far, spots, nominal=False)
