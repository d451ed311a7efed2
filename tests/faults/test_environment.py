"""Rows 29 to 35: dirt, water, knocks, wrong paths and the computer, and what they cost."""

import dataclasses
import errno
import math
from pathlib import Path

import numpy as np
import pytest

from autocell.description import BenchDescription
from autocell.optics.cell import Cell, InputBeam
from autocell.optics.trace import trace
from autocell.patterns import choose_pattern
from tests.faults.conftest import Client

HOUR_S = 3600.0


def at_pattern(description: BenchDescription, passes: int, *faults: dict[str, object]) -> Client:
    """A bench on a re-entrant pattern."""
    places = description.positions(choose_pattern(description, passes).setting)
    return Client(description, *faults, at=places)


def test_a_speck_on_one_spot_costs_one_pattern_and_not_the_other(
    description: BenchDescription,
) -> None:
    fault = {"fault": "dust", "percent": 5.0, "spot": 17}
    client = at_pattern(description, 38, fault)
    clean = at_pattern(description, 38)
    assert client.read() / clean.read() == pytest.approx(0.95, rel=1e-4)
    # the other pattern passes the speck at a distance; its loss from the described spots
    (speck,) = client.bench.optics.truth.dust
    assert speck.mirror == "far"
    setting = description.setting({"spacing": 0.04})
    path = trace(description.cell(setting.spacing_m), description.beam(setting), 6)
    through = 1.0
    for spot in (1, 3, 5):
        x, y = path.position_m[spot, :2] - [speck.x_m, speck.y_m]
        sxx, sxy, syy = path.footprint_per_m2[spot]
        through *= 1.0 - 0.05 * math.exp(-2.0 * (sxx * x * x + 2 * sxy * x * y + syy * y * y))
    client.go("spacing", 0.04)
    for axis in ("pitch", "yaw", "horizontal", "vertical"):
        client.go(axis, 0.0)
    assert client.read() / client.expected_w() == pytest.approx(through, rel=1e-6)
    assert through > 0.99


def test_a_speck_may_have_a_place_of_its_own(description: BenchDescription) -> None:
    setting = description.setting({"spacing": 0.04})
    path = trace(description.cell(setting.spacing_m), description.beam(setting), 6)
    x_m, y_m, _ = path.position_m[4]
    fault = {"fault": "dust", "percent": 3.0, "mirror": "entrance", "x_mm": float(x_m) * 1e3,
             "y_mm": float(y_m) * 1e3}  # fmt: skip
    client = Client(description, fault)
    assert client.read() / client.expected_w() == pytest.approx(0.97, rel=1e-4)


@pytest.mark.parametrize("passes", [26, 62])
def test_a_film_costs_in_proportion_to_the_reflections(
    description: BenchDescription, passes: int
) -> None:
    fault = {"fault": "mirror-film", "percent_per_month": 0.05, "months": 2.0}
    client, clean = at_pattern(description, passes, fault), at_pattern(description, passes)
    # N passes are N − 1 reflections
    assert client.read() / clean.read() == pytest.approx(0.999 ** (passes - 1), rel=1e-6)
    client.wait(30 * 24 * HOUR_S)
    assert client.read() / clean.read() == pytest.approx(0.9985 ** (passes - 1), rel=1e-6)


def test_condensation_comes_and_goes(description: BenchDescription) -> None:
    client = Client(description, {"fault": "condensation", "percent": 40.0, "lasts_min": 20.0})
    full_w = client.expected_w()
    for minutes in (5.0, 5.0, 5.0):
        client.wait(minutes * 60.0)
        part = client.clock.now() / 1200.0
        expected = 1.0 - 0.4 * math.sin(math.pi * part) ** 2
        assert client.read() / full_w == pytest.approx(expected, abs=2e-4)
    client.wait(600.0)
    assert client.read() == pytest.approx(full_w, rel=1e-9)


@pytest.mark.parametrize("percent", [5.0, 40.0, 95.0])
def test_a_knock_costs_what_it_says(description: BenchDescription, percent: float) -> None:
    fault = {"fault": "knock", "percent": percent, "when": {"at_s": 10.0}}
    client = at_pattern(description, 38, fault)
    before_w = client.read()
    client.wait(10.0)
    assert client.read() / before_w == pytest.approx(1.0 - percent / 100.0, abs=5e-3)


def test_a_knock_of_a_size_turns_the_launch_about_its_mount_and_may_spring_back(
    description: BenchDescription,
) -> None:
    fault = {"fault": "knock", "urad": 8000.0, "pivot_mm": 250.0, "for_s": 20.0}
    client = Client(description, fault)
    truth = client.bench.optics.truth
    assert math.hypot(truth.beam_slope_x_offset, truth.beam_slope_y_offset) == pytest.approx(8e-3)
    assert truth.beam_x_offset_m == pytest.approx(0.25 * truth.beam_slope_x_offset)

    def knocked(cell: Cell, beam: InputBeam) -> tuple[Cell, InputBeam]:
        return cell, dataclasses.replace(
            beam,
            x_m=np.asarray(beam.x_m) + truth.beam_x_offset_m,
            y_m=np.asarray(beam.y_m) + truth.beam_y_offset_m,
            slope_x=np.asarray(beam.slope_x) + truth.beam_slope_x_offset,
            slope_y=np.asarray(beam.slope_y) + truth.beam_slope_y_offset,
        )

    assert client.read() == pytest.approx(client.expected_w(knocked), rel=1e-6)
    assert client.read() < 0.9 * client.expected_w()
    client.wait(20.0)
    assert client.read() == pytest.approx(client.expected_w(), rel=1e-9)


def test_knocks_pile_up(description: BenchDescription) -> None:
    client = Client(description, {"fault": "knock", "urad": 100.0, "when": {"per_hour": 6.0}})
    client.wait(10.0 * HOUR_S)
    knocks = len(client.events)
    # Poisson: mean 60
    assert abs(knocks - 60) < 3.0 * math.sqrt(60.0)
    truth = client.bench.optics.truth
    size = math.hypot(truth.beam_slope_x_offset, truth.beam_slope_y_offset)
    assert 1e-4 < size < knocks * 1e-4  # a random walk


def test_a_neighbouring_pass_count_is_clean_and_wrong(description: BenchDescription) -> None:
    fault = {"fault": "neighbouring-pass-count", "when": {"at_s": 5.0}}
    client = at_pattern(description, 62, fault)
    assert client.bench.truth_report()["passes"] == 62
    client.wait(5.0)
    report = client.bench.truth_report()
    assert report["passes"] not in (0, 62)
    assert report["passes_power_fraction"] > 0.95 * report["power_fraction"]
    shift_m = client.bench.optics.truth.spacing_offset_m
    assert 0.0 < abs(shift_m) < 2e-3
    setting = dataclasses.replace(
        choose_pattern(description, 62).setting,
        spacing_m=choose_pattern(description, 62).setting.spacing_m + shift_m,
    )
    places = description.positions(setting)
    assert client.read() == pytest.approx(client.expected_w(**places), rel=1e-6)


def test_light_that_leaves_early_is_brighter_and_has_come_a_shorter_way(
    description: BenchDescription,
) -> None:
    fault = {"fault": "early-exit", "at_least_percent": 2.0, "when": {"at_s": 5.0}}
    client = at_pattern(description, 62, fault)
    before_w, before = client.read(), client.bench.truth_report()
    client.wait(5.0)
    after = client.bench.truth_report()
    assert client.read() >= 1.02 * before_w
    assert after["passes"] < 62
    assert after["path_length_m"] < 0.95 * before["path_length_m"]


def test_the_time_of_day_jumps_and_the_bench_runs_on(description: BenchDescription) -> None:
    fault = {"fault": "clock-change", "hours": -1.0, "when": {"at_s": 100.0}}
    client = Client(description, fault)
    client.wait(99.0)
    assert client.bench.truth_report()["clock_ahead_s"] == 0.0
    client.wait(2.0)
    report = client.bench.truth_report()
    assert report["clock_ahead_s"] == -HOUR_S
    assert report["time_s"] == pytest.approx(101.0, abs=0.1)


def test_a_full_disk_refuses_to_grow_a_file_until_there_is_room(
    description: BenchDescription, tmp_path: Path
) -> None:
    log = tmp_path / "log"
    log.write_bytes(b"x" * 5000)
    fault = {"fault": "full-disk", "file": str(log), "when": {"at_s": 5.0}, "for_s": 5.0}
    client = Client(description, fault)
    client.wait(5.0)
    client.bench.true_positions()
    try:
        with log.open("ab", buffering=0) as file, pytest.raises(OSError, match="large") as refused:
            file.write(b"more")
    finally:
        client.wait(5.0)
        client.bench.true_positions()
    assert refused.value.errno == errno.EFBIG
    with log.open("ab") as file:
        file.write(b"more")
    assert log.stat().st_size == 5004


def test_an_unreadable_store_is_readable_again_afterwards(
    description: BenchDescription, tmp_path: Path
) -> None:
    store = tmp_path / "runs.sqlite"
    store.write_bytes(b"SQLite format 3\0" + bytes(100))
    fault = {"fault": "unreadable-store", "file": str(store), "when": {"at_s": 5.0}, "for_s": 5.0}
    client = Client(description, fault)
    before = store.read_bytes()
    client.wait(5.0)
    client.bench.true_positions()
    assert not store.read_bytes().startswith(b"SQLite")
    client.wait(5.0)
    client.bench.true_positions()
    assert store.read_bytes() == before
