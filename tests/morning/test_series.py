"""What nights recorded, as series; the truth is that of the story."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping

import pytest

from autocell.description import BenchDescription
from autocell.report.morning.morning import Morning
from autocell.trends.series import Series
from tests.morning.conftest import Told
from tests.morning.invented import Story


def by_name(morning: Morning) -> Mapping[str, Series]:
    return {series.name: series for series in morning.series}


def test_every_quantity_of_the_nights_is_there(thirty: Morning, bench: BenchDescription) -> None:
    names = by_name(thirty)
    assert {"reflectivity", "power", "laser", "light", "margin"} <= set(names)
    assert {f"position of {axis}" for axis in bench.axes} <= set(names)
    assert {f"middle of {axis}" for axis in bench.axes} <= set(names)


def test_a_night_has_one_value_and_nights_that_proved_nothing_have_none(thirty: Morning) -> None:
    reflectivity = by_name(thirty)["reflectivity"]
    dates = [value.date for value in reflectivity.values]
    assert len(set(dates)) == len(dates) == 30 - len({3, 4, 12, 22, 24})
    power = by_name(thirty)["power"]
    assert len(power.values) == 30 - len({12, 24}), "what stands as it was proved has light too"


def test_the_line_begins_after_the_mirrors_were_cleaned_and_has_the_slope_of_the_film(
    thirty: Morning,
) -> None:
    trend = by_name(thirty)["reflectivity"].trend
    assert trend.jump is not None
    assert abs(trend.jump.size - 0.0022) < 3.0 * trend.jump.u
    assert trend.found
    assert trend.line is not None
    assert abs(trend.line.slope + Story().film) < 3.0 * trend.line.slope_u


def test_the_axis_that_creeps_is_told_when_it_will_reach_its_end(
    thirty: Morning, bench: BenchDescription
) -> None:
    vertical = by_name(thirty)["position of vertical"]
    ((limit, ahead),) = vertical.forecasts
    assert limit.value == bench.reach("vertical")[1]
    truly = (limit.value - 0.2e-3) / Story().creep_m - vertical.values[-1].night
    assert ahead.latest is not None
    assert ahead.earliest < truly < ahead.latest


def test_what_stands_still_or_is_steady_has_no_trend_and_no_end(thirty: Morning) -> None:
    for name in ("laser", "light", "position of horizontal", "middle of yaw"):
        assert not by_name(thirty)[name].trend.found, name
        assert by_name(thirty)[name].forecasts == []


def test_one_night_is_a_value_and_no_line(told: Told) -> None:
    morning = told(Story(nights=1, held=(), missed=(), quiet=()))
    assert all(len(series.values) == 1 and series.trend.line is None for series in morning.series)
    assert "reflectivity" in by_name(morning)


def test_a_store_of_changes_only_has_the_same_series(told: Told) -> None:
    morning = told(Story(nights=9, recoveries=False, held=(), missed=(), cleaned=None))
    assert morning.recovery is None
    assert len(by_name(morning)["reflectivity"].values) == 9


def test_what_belongs_to_a_pattern_is_of_one_pass_count(told: Told) -> None:
    morning = told(Story(nights=3, held=(), missed=(), quiet=()))
    assert morning.passes == 62
    assert by_name(morning)["power"].words == "Power at 62 passes"


def test_a_bench_that_never_had_a_run_has_none(empty: Morning) -> None:
    assert empty.series == []


@pytest.mark.parametrize("series", ["reflectivity", "margin"])
def test_the_csv_of_the_page_has_every_value(thirty: Morning, series: str) -> None:
    from autocell.report.morning.page import nights_as_csv

    rows = list(csv.DictReader(io.StringIO(nights_as_csv(thirty))))
    told = [float(row["value_si"]) for row in rows if row["quantity"] == series]
    assert told == [value.value for value in by_name(thirty)[series].values]
