"""Which samples count, what they come to, and with what uncertainty."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from autocell.bench.clock import VirtualClock
from autocell.bench.metering import Metering
from autocell.bench.protocols import RawReading
from autocell.bench.samples import MAD_TO_SIGMA
from autocell.errors import NoReply, ReadingError, Stopped
from tests.bench.conftest import METER, ScriptedMeter

NAN = float("nan")


class RecordingShutter:
    """Darkens the meter it is given while closed."""

    def __init__(self, meter: ScriptedMeter, dark: list[RawReading]) -> None:
        self.states: list[str] = []
        self._meter = meter
        self._light, self._dark = meter.answers, dark

    def close(self) -> None:
        self.states.append("closed")
        self._meter.answers = self._dark

    def open(self) -> None:
        self.states.append("open")
        self._meter.answers = self._light


class Lab:
    """A metering over a scripted meter, and what it told."""

    def __init__(self, answers: list[RawReading], dark: list[RawReading] | None = None) -> None:
        self.told: list[str] = []
        self.stop_at_check: int | None = None
        self.checks = 0
        clock = VirtualClock()
        self.meter = ScriptedMeter(clock, answers)
        self.shutter = None if dark is None else RecordingShutter(self.meter, dark)
        self.metering = Metering(
            METER, self.meter, self.shutter, clock, self._check, self.told.append
        )

    def _check(self) -> None:
        self.checks += 1
        if self.checks == self.stop_at_check:
            raise Stopped("test")


def watts(*powers_w: float) -> list[RawReading]:
    return [RawReading(power_w) for power_w in powers_w]


def noisy(mean_w: float, count: int, seed: int = 1) -> list[RawReading]:
    rng = np.random.default_rng(seed)
    return watts(*(mean_w * (1.0 + 0.003 * rng.standard_normal(count))))


def test_averaging_goes_on_until_the_wanted_uncertainty() -> None:
    coarse, fine = Lab(noisy(5e-3, 200)), Lab(noisy(5e-3, 200))
    few = coarse.metering.read(0.003, 100)
    many = fine.metering.read(0.0005, 100)
    assert few.samples == 3
    assert few.uncertainty_w <= 0.003 * 5e-3
    assert 30 <= many.samples <= 60  # (0.003 / 0.0005)² = 36 for the expected noise
    assert many.uncertainty_w <= math.hypot(0.0005 * 5e-3, METER.noise_floor_w)
    assert many.power_w == pytest.approx(5e-3, rel=4 * 0.0005)


def test_the_stated_uncertainty_covers_the_truth_as_often_as_it_should() -> None:
    """A standard uncertainty of a normal mean covers 68 %, twice of it 95 % (GUM, G.1.3)."""
    errors = []
    for seed in range(400):
        power = Lab(noisy(5e-3, 50, seed)).metering.read(0.001, 50)
        errors.append((power.power_w - 5e-3) / power.uncertainty_w)
    assert np.mean(np.abs(errors) < 1.0) > 0.66
    assert np.mean(np.abs(errors) < 2.0) > 0.93


def test_quiet_samples_never_claim_less_than_the_meter_is_known_for() -> None:
    power = Lab(watts(1.00001e-3, 1.00002e-3, 1.00001e-3)).metering.read(0.003, 3)
    expected = math.hypot(0.003 * 1.00001e-3, 0.5e-6) / math.sqrt(3)
    assert power.uncertainty_w >= expected * 0.9999


def test_in_the_dark_averaging_ends_at_the_noise_floor() -> None:
    lab = Lab(watts(*np.random.default_rng(3).normal(0.0, 0.4e-6, 100)))
    power = lab.metering.read(0.003, 50)
    assert power.samples < 10
    assert abs(power.power_w) < 2e-6


def test_max_samples_ends_averaging_with_the_uncertainty_reached() -> None:
    power = Lab(noisy(5e-3, 50)).metering.read(1e-6, 7)
    assert power.samples == 7
    assert power.uncertainty_w > 1e-6 * 5e-3


def test_an_outlier_is_left_out_and_told() -> None:
    lab = Lab([*noisy(5e-3, 2), *watts(8e-3), *noisy(5e-3, 40, seed=2)])
    power = lab.metering.read(0.001, 30)
    assert power.rejected == 1
    assert power.power_w == pytest.approx(5e-3, rel=0.004)
    assert any("outliers" in text for text in lab.told)


def test_samples_that_contradict_each_other_are_no_reading() -> None:
    quiet, loud = noisy(5e-3, 20), noisy(2e-3, 20)
    mixed = [sample for pair in zip(quiet, quiet[1:], loud, strict=False) for sample in pair]
    with pytest.raises(ReadingError, match="disagree"):
        Lab(mixed).metering.read(1e-6, 9)


def test_light_that_changes_once_amid_the_samples_is_read_once_more() -> None:
    lab = Lab([*noisy(5e-3, 6), *noisy(5.2e-3, 40, seed=2)])
    power = lab.metering.read(1e-6, 9)
    assert power.power_w == pytest.approx(5.2e-3, rel=0.004)
    assert [text for text in lab.told if "disagree" in text] == [
        "3 of 9 samples disagree with the rest: reading once more"
    ]


def test_not_a_number_and_overflow_are_never_used() -> None:
    overflow = RawReading(NAN, overrange=True)
    answers = noisy(5e-3, 10)
    lab = Lab([RawReading(NAN), answers[0], overflow, *answers[1:]])
    power = lab.metering.read(0.003, 10)
    assert math.isfinite(power.power_w)
    assert power.power_w == pytest.approx(5e-3, rel=0.01)
    assert [text for text in lab.told if "thrown away" in text] == [
        "samples thrown away: not a number",
        "samples thrown away: overrange",
    ]


def test_a_saturated_meter_is_an_error_with_its_cure() -> None:
    with pytest.raises(ReadingError, match=r"saturated.*Raise power_meter\.range_mw"):
        Lab([RawReading(NAN, overrange=True)]).metering.read(0.003, 10)


@pytest.mark.parametrize(
    ("answers", "key"),
    [([RawReading(NAN, overrange=True)], "range_mw"), (watts(5.01234e-3), "averaging_ms")],
)
def test_a_cure_names_the_section_of_the_meter_that_it_is_for(
    answers: list[RawReading], key: str
) -> None:
    lab = Lab(answers)
    lab.meter.name = "reference_meter"
    with pytest.raises(ReadingError, match=rf"reference_meter\.{key}"):
        lab.metering.read(0.003, 10)
    assert "say so by reference_meter.time_constant_ms" in lab.told[1]
    assert not any("power_meter" in told for told in lab.told)


def test_a_flat_top_beyond_the_range_counts_as_saturated() -> None:
    with pytest.raises(ReadingError, match="saturated"):
        Lab(watts(10.01e-3)).metering.read(0.003, 10)


def test_a_meter_without_numbers_is_an_error() -> None:
    with pytest.raises(ReadingError, match="answered no number"):
        Lab([RawReading(NAN)]).metering.read(0.003, 10)


def test_the_same_measurement_counts_once_by_the_meters_own_number() -> None:
    answers = [RawReading(5e-3 + 1e-6 * (n // 2), sequence=n // 2) for n in range(60)]
    lab = Lab(answers)
    power = lab.metering.read(0.0, 10)
    assert power.samples == 10
    assert lab.meter.asked == 19


def test_a_late_answer_with_an_old_number_is_not_used() -> None:
    answers = [RawReading(5e-3, sequence=4), RawReading(1e-3, sequence=3)]
    answers += [RawReading(5e-3, sequence=n) for n in range(5, 20)]
    power = Lab(answers).metering.read(0.003, 5)
    assert power.power_w == pytest.approx(5e-3)


def test_many_digits_that_repeat_exactly_are_stale_and_few_are_not() -> None:
    lab = Lab(watts(5.01234e-3, 5.01234e-3, 5.01178e-3, 5.01301e-3))
    assert lab.metering.read(0.003, 3).samples == 3
    assert lab.meter.asked == 4
    coarse = Lab(watts(5.01e-3, 5.01e-3, 5.01e-3))
    assert coarse.metering.read(0.003, 3).samples == 3
    assert coarse.meter.asked == 3


def test_a_meter_on_hold_is_an_error_with_its_cure() -> None:
    with pytest.raises(ReadingError, match="on hold"):
        Lab(watts(5.01234e-3)).metering.read(0.003, 10)


def test_the_dark_level_is_subtracted_with_its_uncertainty() -> None:
    lab = Lab(noisy(5e-3, 100), dark=watts(*(np.arange(20) * 1e-8 + 100e-6)))
    dark = lab.metering.measure_dark()
    assert lab.shutter is not None
    assert lab.shutter.states == ["closed", "open"]
    assert dark.power_w == pytest.approx(100e-6, rel=0.01)
    power = lab.metering.read(0.003, 10)
    assert power.power_w == pytest.approx(4.9e-3, rel=0.01)
    assert power.uncertainty_w > dark.uncertainty_w


def test_without_a_shutter_dark_is_zero_within_the_noise_floor_and_it_says_so() -> None:
    lab = Lab(noisy(5e-3, 10))
    dark = lab.metering.measure_dark()
    assert (dark.power_w, dark.uncertainty_w) == (0.0, 0.5e-6)
    assert "no shutter" in lab.told[0]


def test_a_failed_dark_reading_opens_the_shutter_again() -> None:
    lab = Lab(noisy(5e-3, 10), dark=[RawReading(NAN)])
    with pytest.raises(ReadingError):
        lab.metering.measure_dark()
    assert lab.shutter is not None
    assert lab.shutter.states == ["closed", "open"]


def test_after_a_stop_the_shutter_stays_closed() -> None:
    lab = Lab(noisy(5e-3, 10), dark=watts(1e-7, 2e-7))
    lab.stop_at_check = 3
    with pytest.raises(Stopped):
        lab.metering.measure_dark()
    assert lab.shutter is not None
    assert lab.shutter.states == ["closed"]


def test_a_silent_meter_is_not_read_again_by_the_bench() -> None:
    lab = Lab(noisy(5e-3, 10))

    def silent() -> RawReading:
        lab.meter.asked += 1
        raise NoReply("silent")

    lab.meter.read = silent  # type: ignore[method-assign]
    with pytest.raises(NoReply):
        lab.metering.read(0.003, 10)
    assert lab.meter.asked == 1


def test_the_factor_from_median_deviation_to_sigma_is_that_of_a_normal_distribution() -> None:
    assert pytest.approx(1.0 / norm.ppf(0.75), abs=1e-4) == MAD_TO_SIGMA


class LaggingMeter(ScriptedMeter):
    """Shows the light through a first-order lag, with a thousandth of noise in turn."""

    def __init__(self, clock: VirtualClock, light_w: float, time_constant_s: float) -> None:
        super().__init__(clock, [RawReading(light_w)])
        self.light_w = self._shown_w = light_w
        self._time_constant_s, self._seen_s = time_constant_s, 0.0

    def read(self) -> RawReading:
        super().read()
        passed_s, self._seen_s = self._clock.now() - self._seen_s, self._clock.now()
        left = math.exp(-passed_s / self._time_constant_s)
        self._shown_w = self.light_w + (self._shown_w - self.light_w) * left
        return RawReading(self._shown_w * (1.0 + 1e-3 * (-1) ** self.asked) + 1e-9)


class LaggingShutter:
    def __init__(self, meter: LaggingMeter) -> None:
        self._meter, self._open_w = meter, meter.light_w

    def close(self) -> None:
        self._meter.light_w = 1e-6

    def open(self) -> None:
        self._meter.light_w = self._open_w


@pytest.mark.parametrize("time_constant_s", [0.5, 1.0, 3.0])  # of thermal heads [trade]
def test_a_detector_that_lags_shows_it_at_the_shutter_and_is_given_time(
    time_constant_s: float,
) -> None:
    clock, told = VirtualClock(), []
    meter = LaggingMeter(clock, 5e-3, time_constant_s)
    shutter = LaggingShutter(meter)
    metering = Metering(METER, meter, shutter, clock, lambda: None, told.append)
    dark = metering.measure_dark()
    assert dark.power_w == pytest.approx(1e-6, abs=1e-2 * 5e-3)
    assert any("time constant" in text for text in told)
    assert metering.settle_s == pytest.approx(7.0 * time_constant_s, rel=0.1)
    assert metering.read(0.003, 5).power_w == pytest.approx(5e-3, rel=3e-3)


def test_a_detector_whose_lag_the_bench_file_tells_is_given_time_without_a_shutter() -> None:
    told: list[str] = []
    clock = VirtualClock()
    slow = replace(METER, time_constant_s=0.9)
    meter = LaggingMeter(clock, 5e-3, 0.9)
    metering = Metering(slow, meter, None, clock, lambda: None, told.append)
    metering.measure_dark()
    assert metering.settle_s == pytest.approx(6.3)
    assert len(told) == 1  # of the dark level


def test_without_a_shutter_it_says_that_a_lag_would_not_be_noticed() -> None:
    lab = Lab(noisy(5e-3, 10))
    lab.metering.measure_dark()
    assert "power_meter.time_constant_ms" in lab.told[1]


def test_a_detector_that_follows_at_once_is_not_waited_for() -> None:
    lab = Lab([RawReading(5e-3)], dark=[RawReading(1e-6 + n * 1e-9) for n in range(12)])
    lab.metering.measure_dark()
    assert lab.metering.settle_s == 0.1
    assert lab.told == []
