"""What is said of one pattern looked at closely."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from autocell.description import BenchDescription
from autocell.patterns import details, list_patterns

Bench = Callable[..., BenchDescription]

SPEED_OF_LIGHT = 299_792_458.0


def test_what_the_hole_leaves_of_the_light_goes_round_again_and_leaks_late(bench: Bench) -> None:
    small = bench(
        ("hole: {x_mm: 20, y_mm: 0, diameter_mm: 4,", "hole: {x_mm: 20, y_mm: 0, diameter_mm: 1.2,")
    )
    pattern = list_patterns(small, passes=62)[0]
    leaks = {leak.pass_number: leak for leak in details(small, pattern).leaks}
    assert {62, 124} <= set(leaks)
    assert leaks[62].power == pytest.approx(pattern.throughput, rel=1e-6)
    assert 1e-4 < leaks[124].power < 0.01
    # c/ΔL for light that is 62 passes late (F18) [exact]
    late_m = 62 * pattern.setting.spacing_m
    assert leaks[124].fringe_period_hz == pytest.approx(SPEED_OF_LIGHT / late_m, rel=1e-3)
    assert leaks[62].fringe_period_hz == float("inf")


def test_details_are_plain_json_whatever_has_no_end(bench: Bench) -> None:
    still = bench(
        *[(f"overnight_drift_{u}: {v}", f"overnight_drift_{u}: 0") for u, v in
          (("mm", "0.006"), ("mm", "0.005"), ("mrad", "0.02"))]
    )  # fmt: skip
    for shape in ("circle", "ellipse"):
        pattern = list_patterns(still, passes=62, shape=shape)[0]  # type: ignore[arg-type]
        told = details(still, pattern).as_json()
        json.dumps([told, pattern.as_json()], allow_nan=False)
        assert told["spots"][1]["hole_clearance"] is None  # no hole in the far mirror
        assert {row["fringe_period_hz"] for row in told["leaks"]} == {None}
