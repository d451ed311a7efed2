"""Readings that only fit with an axis turned round."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from autocell.belief.wrong_way import goes_the_wrong_way

from .conftest import a_bench, a_model, believing, beside, readings_of

SHIFTS = (0.0, -3e-3, -1.6e-3, -4.5e-3, -6e-3, 2.4e-3, -8e-3)


def test_a_spacing_that_goes_the_other_way_from_where_it_stood_is_named() -> None:
    model = a_model("spacing_offset_m", "reflectivity", "log_gain", "slope_x")
    bench = a_bench(spacing_offset_m=0.3, slope_x=-0.4)
    readings = readings_of(model, bench, [beside(-shift) for shift in SHIFTS])
    told = [
        replace(reading, setting=beside(shift))
        for reading, shift in zip(readings, SHIFTS, strict=True)
    ]
    found = goes_the_wrong_way(believing(model, told), np.random.default_rng(0))
    assert found is not None
    assert found.axis == "spacing"
    assert found.log_odds > 12.0


def test_a_bench_that_goes_as_it_should_is_not_accused() -> None:
    model = a_model("spacing_offset_m", "reflectivity", "log_gain", "slope_x")
    rng = np.random.default_rng(1)
    bench = a_bench(spacing_offset_m=0.3, slope_x=-0.4)
    readings = readings_of(model, bench, [beside(shift) for shift in SHIFTS], rng)
    assert goes_the_wrong_way(believing(model, readings), np.random.default_rng(0)) is None


def test_a_single_reading_accuses_nobody() -> None:
    model = a_model("spacing_offset_m", "log_gain")
    readings = readings_of(model, a_bench(), [beside(0.0)])
    assert goes_the_wrong_way(believing(model, readings), np.random.default_rng(0)) is None
