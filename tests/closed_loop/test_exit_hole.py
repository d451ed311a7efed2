"""Light that leaves by a second hole of the entrance mirror, a quarter turn from the first."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from autocell_simulators.bench import SimulatedBench

from autocell.bench.file import load, shipped
from autocell.description import BenchDescription
from autocell.outcome import Verdict
from autocell.patterns import choose_pattern

from .conftest import Change

HOLE = "diameter_mm: 4, diameter_tolerance_mm: 0.05}\n"
CHANGES = (
    (HOLE, f"{HOLE}    exit_hole: {{x_mm: 0, y_mm: 20, {HOLE}"),
    ("limits_mrad: [-15, 15]", "limits_mrad: [-40, 40]"),
)


@pytest.fixture
def beside(tmp_path: Path) -> BenchDescription:
    """The shipped bench with an exit hole."""
    text = shipped("peat-bog").read_text("utf-8")
    for old, new in CHANGES:
        assert old in text
        text = text.replace(old, new)
    file = tmp_path / "bench.yaml"
    file.write_text(text, "utf-8")
    shutil.copy(shipped("plain-motion"), tmp_path / "plain-motion.yaml")
    return load(file)


@pytest.mark.thorough
def test_a_pass_count_is_set_and_proved_through_the_exit_hole(
    change: Change, beside: BenchDescription
) -> None:
    few = beside.positions(choose_pattern(beside, 8).setting)

    def with_eight_passes(simulated: SimulatedBench) -> None:
        for name, axis in simulated.axes.items():
            axis.place(few[name])

    ended = change(28, 2, bench=beside, spoil=with_eight_passes)
    assert ended.outcome.verdict is Verdict.REACHED
    assert ended.truth["passes"] == 28
    # R^(N−1) of the light, R as drawn within its tolerance of 0.003
    assert ended.outcome.throughput == pytest.approx(0.985**27, rel=0.1)
