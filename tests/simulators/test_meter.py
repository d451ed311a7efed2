import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pytest
from autocell_simulators.meter import MeterTraits, SimulatedMeter

TRAITS = MeterTraits(
    true_wavelength_m=1654e-9,
    relative_noise=0.003,
    noise_floor_w=0.5e-6,
    noise_window_s=0.05,
    noise_range_w=10e-3,
    dark_w=0.0,
)
QUIET = dataclasses.replace(TRAITS, relative_noise=0.0, noise_floor_w=0.0)


def a_meter(traits: MeterTraits = TRAITS) -> SimulatedMeter:
    """Set up for the light of 1654 nm, in its 10 mW range."""
    meter = SimulatedMeter(traits, np.random.default_rng(2))
    meter.wavelength_m = traits.true_wavelength_m
    meter.set_range(10e-3, -10.0)
    return meter


def read(meter: SimulatedMeter, light_w: Callable[[float], float], time_s: float = 0.0) -> float:
    meter.begin(time_s)
    while (due_s := meter.next_sample_s) is not None:
        meter.take(light_w(due_s))
    assert meter.last_w is not None
    return meter.last_w


def steady(power_w: float) -> Callable[[float], float]:
    return lambda time_s: power_w


def test_a_reading_takes_its_averages_one_millisecond_each() -> None:
    meter = a_meter()
    meter.averages = 80
    meter.begin(1.0)
    assert meter.next_sample_s == pytest.approx(1.0 + TRAITS.latency_s)
    assert meter.done_s == pytest.approx(1.0 + TRAITS.latency_s + 0.08)


def test_noise_is_the_quadratic_sum_of_both_kinds() -> None:
    meter = a_meter()
    for power_w in (0.0, 0.2e-3, 5e-3):
        readings = [read(meter, steady(power_w)) for _ in range(2000)]
        assert np.mean(readings) == pytest.approx(power_w, abs=2e-6)
        assert np.std(readings) == pytest.approx(math.hypot(0.003 * power_w, 0.5e-6), rel=0.06)


def test_noise_falls_with_the_square_root_of_the_averaging_time() -> None:
    meter = a_meter()
    meter.averages = 450
    readings = [read(meter, steady(5e-3)) for _ in range(2000)]
    assert np.std(readings) == pytest.approx(0.003 * 5e-3 / 3.0, rel=0.06)


def test_a_reading_averages_light_that_changes_meanwhile() -> None:
    meter = a_meter(QUIET)
    start_s = TRAITS.latency_s
    # Simpson's rule is exact up to third order: the mean of t² over the window is T²/3
    mean_w = read(meter, lambda time_s: 1e-3 + (time_s - start_s) ** 2)
    assert mean_w == pytest.approx(1e-3 + 0.05**2 / 3.0)


def test_light_beyond_the_range_saturates_even_for_a_moment() -> None:
    meter = a_meter(QUIET)
    assert read(meter, steady(10.9e-3)) == pytest.approx(10.9e-3)
    assert read(meter, steady(11.1e-3)) == math.inf
    assert read(meter, lambda time_s: 12e-3 if time_s > 0.04 else 1e-3) == math.inf


def test_a_wrong_wavelength_gives_a_constant_ratio() -> None:
    meter = a_meter(QUIET)
    meter.wavelength_m = 1000e-9
    ratios = [read(meter, steady(power_w)) / power_w for power_w in (1e-4, 5e-3)]
    assert ratios[0] == pytest.approx(ratios[1])
    assert abs(ratios[0] - 1.0) > 0.05


def test_zeroing_takes_out_the_dark_level() -> None:
    meter = a_meter(dataclasses.replace(QUIET, dark_w=3e-6))
    assert read(meter, steady(0.0)) == pytest.approx(3e-6)
    meter.begin(0.0, "zero")
    while meter.next_sample_s is not None:
        meter.take(0.0)
    assert read(meter, steady(1e-3)) == pytest.approx(1e-3)
    assert meter.readings == 2


def test_automatic_range_follows_the_light_and_costs_time() -> None:
    meter = a_meter(QUIET)
    meter.auto_range = True
    meter.begin(0.0)
    while meter.next_sample_s is not None:
        done_s = meter.done_s
        meter.take(30e-6)
    assert meter.range_w == pytest.approx(100e-6)
    assert meter.last_w == pytest.approx(30e-6)
    assert done_s == pytest.approx(0.1 + TRAITS.latency_s + 0.05)


def test_changing_the_range_leaves_the_detector_dead_for_a_while() -> None:
    meter = a_meter(QUIET)
    meter.set_range(1e-3, 5.0)
    meter.begin(5.01)
    assert meter.next_sample_s == pytest.approx(5.1)


@pytest.mark.parametrize("range_w", [2.0, 0.0, -1.0, math.nan])
def test_a_range_that_does_not_exist_is_refused(range_w: float) -> None:
    with pytest.raises(ValueError, match="no range"):
        a_meter().set_range(range_w, 0.0)


def test_a_misspelt_attribute_is_an_error() -> None:
    with pytest.raises(AttributeError):
        a_meter().avreages = 3  # type: ignore[attr-defined]
