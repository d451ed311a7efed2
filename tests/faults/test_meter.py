"""Rows 22 to 26: what each fault of the meter does to its readings, and by how much."""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from autocell.description import BenchDescription
from tests.faults.conftest import Client

OVERFLOW = 9.9e37
"""What SCPI instruments answer for a value that they cannot show (SCPI-1999, 7.2.1.4) [memory]."""


def test_a_dark_offset_is_read_without_light_and_zeroing_takes_it_out(
    description: BenchDescription,
) -> None:
    client = Client(description, {"fault": "dark-offset", "nw": 700.0})
    client.controller("1 OU 0")
    assert client.read() == pytest.approx(700e-9, rel=1e-6)
    client.controller("1 OU 1")
    assert client.read() == pytest.approx(client.expected_w() + 700e-9, rel=1e-8)
    client.controller("1 OU 0")
    client.meter("SENS:CORR:COLL:ZERO;*OPC?")
    assert client.read() == pytest.approx(0.0, abs=1e-12)


def test_room_light_flickers_at_twice_the_mains_unless_a_reading_takes_whole_periods(
    description: BenchDescription,
) -> None:
    fault = {"fault": "room-light", "nw": 1000.0, "flicker_percent": 40.0, "mains_hz": 50.0}
    client = Client(description, fault)
    client.controller("1 OU 0")
    client.meter("SENS:AVER:COUN 13;*OPC?")
    readings = []
    for _ in range(200):
        readings.append(client.read())
        client.wait(0.0137)
    window_s = 13e-3
    # mean of 1 + m(1 + cos) over the window, at its best and its worst
    swing = 0.4 * abs(math.sin(math.pi * 100.0 * window_s)) / (math.pi * 100.0 * window_s)
    assert np.mean(readings) == pytest.approx(1.4e-6, rel=0.02)
    assert np.ptp(readings) == pytest.approx(2.0 * swing * 1e-6, rel=0.02)
    largest, _ = quad(lambda t: math.cos(200.0 * math.pi * t), -0.5 * window_s, 0.5 * window_s)
    assert swing == pytest.approx(0.4 * abs(largest) / window_s)
    client.meter("SENS:AVER:COUN 20;*OPC?")
    whole = [client.read() for _ in range(20)]
    assert np.ptp(whole) < 1e-12


@pytest.mark.parametrize("meanwhile", ["waits", "repeats", "overflows"])
def test_a_range_change_takes_its_time_and_readings_meanwhile_are_worth_nothing(
    description: BenchDescription, meanwhile: str
) -> None:
    fault = {"fault": "range-change", "dead_ms": 400.0, "mismatch_percent": 0.0,
             "meanwhile": meanwhile}  # fmt: skip
    client = Client(description, fault)
    client.wait(1.0)
    before_w = client.read()
    client.go("horizontal", 1.8e-3)
    after_w = client.expected_w(horizontal=1.8e-3)
    client.meter("SENS:POW:RANG 100MW;*IDN?")
    began_s = client.clock.now()
    answer = client.read()
    took_s = client.clock.now() - began_s
    if meanwhile == "waits":
        assert answer == pytest.approx(after_w, rel=1e-3)
        assert took_s == pytest.approx(0.4 + 0.05, abs=0.01)
    else:
        assert answer == (before_w if meanwhile == "repeats" else OVERFLOW)
        assert took_s < 0.1
    client.wait(0.4)
    assert client.read() == pytest.approx(after_w, rel=1e-3)


def test_ranges_disagree_by_their_mismatch(description: BenchDescription) -> None:
    client = Client(description, {"fault": "range-change", "mismatch_percent": 0.8}, seed=3)
    ratios = []
    for watts in ("1E-2", "1E-1", "1E0"):
        client.meter(f"SENS:POW:RANG {watts};*OPC?")
        client.wait(1.0)
        ratios.append(client.read() / client.expected_w() - 1.0)
    assert all(abs(ratio) <= 0.008 for ratio in ratios)
    assert max(ratios) - min(ratios) > 1e-3
    again = Client(description, {"fault": "range-change", "mismatch_percent": 0.8}, seed=3)
    again.meter("SENS:POW:RANG 1E-2;*OPC?")
    again.wait(1.0)
    assert again.read() / again.expected_w() - 1.0 == pytest.approx(ratios[0])


def test_saturation_looks_like_a_plateau(description: BenchDescription) -> None:
    client = Client(description, {"fault": "saturation", "at_percent": 50.0})
    places = (0.0346, 0.036, 0.038, 0.04)
    readings = []
    for place in places:
        client.go("spacing", place)
        readings.append(client.read())
    assert all(client.expected_w(spacing=place) > 5e-3 for place in places)
    assert readings == pytest.approx([5e-3] * len(places))  # half of 10 mW
    client.go("spacing", 0.033)
    assert client.read() == pytest.approx(client.expected_w(spacing=0.033), rel=1e-3)


def test_a_wrong_calibration_is_a_constant_ratio_that_no_setting_shows(
    description: BenchDescription,
) -> None:
    client = Client(description, {"fault": "wrong-wavelength", "factor": 0.6})
    for place in (0.033, 0.04):
        client.go("spacing", place)
        assert client.read() == pytest.approx(0.6 * client.expected_w(spacing=place), rel=1e-3)
    assert float(client.meter("SENS:POW:WAV?")) == 1654.0


def test_a_turned_wavelength_setting_can_be_read_back_and_set_right(
    description: BenchDescription,
) -> None:
    fault = {"fault": "wrong-wavelength", "wavelength_nm": 1300.0, "when": {"at_s": 10.0}}
    client = Client(description, fault)
    client.wait(10.0)
    assert float(client.meter("SENS:POW:WAV?")) == 1300.0
    # responsivities by the table of the invented head: 0.85 at 1300 nm, and between those of
    # 1550 nm (1.00) and 1700 nm (0.70) at 1654 nm
    ratio = (1.0 - 0.3 * (1654.0 - 1550.0) / 150.0) / 0.85
    assert client.read() == pytest.approx(ratio * client.expected_w(), rel=1e-6)
    client.meter("SENS:POW:WAV 1654;*OPC?")
    assert client.read() == pytest.approx(client.expected_w(), rel=1e-6)


def test_a_thermal_head_follows_a_step_of_the_light_by_its_time_constant(
    description: BenchDescription,
) -> None:
    client = Client(description, {"fault": "thermal-head", "time_constant_s": 2.0})
    client.meter("SENS:AVER:COUN 1;*OPC?")
    client.wait(60.0)
    bright_w = client.read()
    assert bright_w == pytest.approx(client.expected_w(), rel=1e-6)
    client.controller("1 OU 0")
    closed_s = client.clock.now()
    for wait_s in (0.5, 1.0, 3.0):
        client.wait(wait_s)
        reading_w = client.read()
        # the sample is in the middle of the last millisecond; the reply takes two more
        elapsed_s = client.clock.now() - closed_s - 0.5e-3
        assert reading_w / bright_w == pytest.approx(math.exp(-elapsed_s / 2.0), rel=3e-3)


def test_a_thermal_head_displaces_a_curve_along_the_scan(description: BenchDescription) -> None:
    client = Client(description, {"fault": "thermal-head", "time_constant_s": 0.15})
    client.meter("SENS:AVER:COUN 1;*OPC?")
    client.go("horizontal", 1.5e-3)
    client.start("horizontal", 1.95e-3)
    samples = []
    for _ in range(150):
        reading_w = client.read()
        samples.append((client.clock.now(), client.true("horizontal"), reading_w))
    times_s, places, readings = np.array(samples).T
    # τ dy/dt = u − y with u from the described cell, by Euler's method in small steps
    light = np.array([client.expected_w(horizontal=float(place)) for place in places])
    fine_s = np.linspace(times_s[0], times_s[-1], 200_000)
    inputs = np.interp(fine_s, times_s, light)
    shown, y = np.empty_like(fine_s), light[0]
    step = (fine_s[1] - fine_s[0]) / 0.15
    for index, u in enumerate(inputs):
        y += step * (u - y)
        shown[index] = y
    assert readings == pytest.approx(np.interp(times_s, fine_s, shown), rel=6e-3)
    assert np.max(np.abs(readings / light - 1.0)) > 0.05


def test_a_thermal_head_does_not_depend_on_how_often_the_bench_is_looked_at(
    description: BenchDescription,
) -> None:
    shown = []
    for pieces in (1, 500):
        client = Client(description, {"fault": "thermal-head", "time_constant_s": 1.0})
        client.start("horizontal", 1.9e-3)
        for _ in range(pieces):
            client.wait(2.5 / pieces)
            client.bench.true_positions()
        client.meter("SENS:AVER:COUN 1;*OPC?")
        shown.append(client.read())
    assert shown[0] == pytest.approx(shown[1], rel=1e-3)
