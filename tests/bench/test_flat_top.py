"""A meter that shows a flat top instead of an overflow is not believed, and no other is accused."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from autocell.bench.clock import VirtualClock
from autocell.bench.metering import Metering
from autocell.bench.protocols import RawReading
from autocell.description import MeterDescription
from autocell.errors import ReadingError
from tests.bench.conftest import METER

DARK_W = 0.2e-6


class LitMeter:
    """Shows ``light_w`` and a dark level with noise, written as ``written`` writes it, and no more
    than ``top`` of its range."""

    name = "power_meter"
    reading_time_s = 0.05

    def __init__(
        self,
        clock: VirtualClock,
        light_w: float,
        *,
        top: float = 1.1,
        noise: float = 0.003,
        floor_w: float = 0.5e-6,
        written: Callable[[float], float] = lambda power_w: power_w,
        seed: int = 1,
    ) -> None:
        self.light_w, self.top, self.range_w = light_w, top, METER.range_w
        self.shutter_open = True
        self.asked = 0
        self._clock, self.written = clock, written
        self._noise, self._floor_w = noise, floor_w
        self._random = np.random.default_rng(seed)

    def read(self) -> RawReading:
        self._clock.sleep(self.reading_time_s)
        self.asked += 1
        seen_w = DARK_W + self.light_w * self.shutter_open
        seen_w += math.hypot(self._noise * seen_w, self._floor_w) * self._random.standard_normal()
        return RawReading(self.written(min(seen_w, self.top * self.range_w)))

    def close(self) -> None:
        self.shutter_open = False

    def open(self) -> None:
        self.shutter_open = True


class RangedMeter(LitMeter):
    """One with the ranges 10 mW, 100 mW and 1 W."""

    on_hold_w: float | None = None

    def read(self) -> RawReading:
        raw = super().read()
        lit = self.on_hold_w is not None and self.shutter_open
        return RawReading(self.on_hold_w) if lit and self.on_hold_w else raw

    def take_larger_range(self) -> float | None:
        if self.range_w > 0.5:
            return None
        self.range_w *= 10.0
        return self.range_w


def metering(
    meter: LitMeter, description: MeterDescription = METER, *, shutter: bool = True
) -> tuple[Metering, list[str]]:
    told: list[str] = []
    clock, behind = meter._clock, meter if shutter else None
    return Metering(description, meter, behind, clock, lambda: None, told.append), told


@pytest.mark.parametrize("top", [0.6, 0.62137])  # of few digits, and of many
def test_light_beyond_the_top_of_a_meter_is_refused_with_the_cure(top: float) -> None:
    reader, _ = metering(LitMeter(VirtualClock(), 7.2e-3, top=top))
    with pytest.raises(
        ReadingError, match=rf"shows {top * 10:g} mW .* its range is 10 mW.*Raise power_meter\.r"
    ):
        reader.read(0.002, 25)


def test_the_next_larger_range_is_used_from_the_first_reading_on_and_told() -> None:
    meter = RangedMeter(VirtualClock(), 7.2e-3, top=0.6)
    reader, told = metering(meter)
    assert reader.measure_dark().uncertainty_w < 0.2e-6
    power = reader.read(0.002, 25)
    assert meter.range_w == pytest.approx(0.1)
    assert power.power_w == pytest.approx(7.2e-3, rel=0.006)
    assert power.uncertainty_w < 0.003 * 7.2e-3
    assert reader.dark is not None
    assert reader.dark.uncertainty_w == pytest.approx(5e-6 / math.sqrt(12), rel=0.01)
    assert reader.findings == [told[-1]]
    assert "100 mW, is used in this run" in told[-1]
    assert "write power_meter.range_mw: 100" in told[-1]


def test_ranges_are_gone_up_until_the_light_is_seen_whole() -> None:
    meter = RangedMeter(VirtualClock(), 70e-3, top=0.6)
    assert metering(meter)[0].read(0.002, 25).power_w == pytest.approx(70e-3, rel=0.006)
    assert meter.range_w == pytest.approx(1.0)
    beyond = RangedMeter(VirtualClock(), 0.7, top=0.6)
    with pytest.raises(ReadingError, match=r"shows 600 mW .* its range is 1000 mW"):
        metering(beyond)[0].read(0.002, 25)


def test_no_range_is_changed_once_a_reading_was_used() -> None:
    meter = RangedMeter(VirtualClock(), 4e-3, top=0.6)
    reader, _ = metering(meter)
    assert reader.read(0.002, 25).power_w == pytest.approx(4e-3, rel=0.006)
    meter.light_w = 7.2e-3
    with pytest.raises(ReadingError, match="at its top"):
        reader.read(0.002, 25)
    assert meter.range_w == METER.range_w
    meter.light_w = 4e-3
    assert reader.read(0.002, 25).power_w == pytest.approx(4e-3, rel=0.006)


def test_a_meter_that_shows_the_same_in_another_range_is_on_hold() -> None:
    meter = RangedMeter(VirtualClock(), 5e-3)
    meter.on_hold_w = 5.0e-3
    with pytest.raises(ReadingError, match="or on hold"):
        metering(meter)[0].read(0.002, 25)
    assert meter.range_w == pytest.approx(0.1)


@pytest.mark.parametrize("seed", range(5))
def test_a_reading_most_of_which_is_cut_off_is_refused(seed: int) -> None:
    """Nine samples of ten are; the mean of what is left is not the power."""
    light_w = 6e-3 * (1.0 + 1.3 * 0.003)
    reader, _ = metering(LitMeter(VirtualClock(), light_w, top=0.6, seed=seed))
    with pytest.raises(ReadingError, match="shows 6 mW"):
        reader.read(0.0, 25)


def test_without_a_shutter_a_constant_first_reading_is_found_out_by_the_next() -> None:
    meter = LitMeter(VirtualClock(), 7.2e-3, top=0.6)
    reader, _ = metering(meter, shutter=False)
    constant = reader.read(0.002, 25)  # so far it may be a meter of one digit
    assert constant.power_w == pytest.approx(6e-3, rel=1e-9)
    meter.light_w = 4e-3
    with pytest.raises(ReadingError, match="shows 6 mW"):
        reader.read(0.002, 25)


def significant(figures: int) -> Callable[[float], float]:
    return lambda power_w: float(f"{power_w:.{figures}g}")


def in_milliwatts(decimals: int) -> Callable[[float], float]:
    """As meters are that show so many decimals, and drivers that convert what they show."""
    return lambda power_w: round(power_w * 1e3, decimals) * 1e-3


def codes(bits: int) -> Callable[[float], float]:
    """As a converter of so many bits shows 10 mW, in single precision milliwatts."""
    step_mw = 10.0 / 2**bits
    return lambda power_w: float(np.float32(round(power_w * 1e3 / step_mw) * step_mw)) * 1e-3


NOT_NEGATIVE: Callable[[float], float] = lambda power_w: max(0.0, power_w)  # noqa: E731


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("written", "noise"),
    [
        (significant(3), 0.003),
        (significant(4), 0.0),
        (significant(5), 0.003),
        (significant(7), 0.003),
        (in_milliwatts(1), 0.0),
        (in_milliwatts(3), 0.0),
        (in_milliwatts(4), 0.003),
        (codes(16), 0.003),
        (NOT_NEGATIVE, 0.003),
    ],
)
def test_whatever_digits_a_meter_has_it_is_not_accused(
    written: Callable[[float], float], noise: float, seed: int
) -> None:
    """Coarse, quiet, in fixed decimals or with a dark level of exactly zero, at many powers."""
    floor_w = 0.5e-6 if noise else 0.0
    meter = LitMeter(VirtualClock(), 5e-3, noise=noise, floor_w=floor_w, written=written, seed=seed)
    reader, _ = metering(meter)
    reader.measure_dark()
    for light_w in (6e-3, 6e-3, 1e-3, 5e-3, 0.0, 8e-3):
        meter.light_w = light_w
        coarse_w = 0.05e-3 if noise == 0.0 else 0.0
        power = reader.read(0.002, 25)
        assert power.power_w == pytest.approx(light_w, rel=0.008, abs=4e-6 + coarse_w)
    reader.measure_dark()


def test_a_meter_of_fixed_decimals_may_show_the_same_of_the_dark_all_the_time() -> None:
    written = in_milliwatts(4)  # of the dark one digit, of the light five
    meter = LitMeter(VirtualClock(), 5e-3, floor_w=0.0, written=written)
    reader, _ = metering(meter)
    for _ in range(2):
        assert reader.measure_dark().power_w == pytest.approx(DARK_W)
        assert reader.read(0.002, 25).power_w == pytest.approx(5e-3, rel=0.006)
    assert reader.thrown_away <= 1


def test_a_larger_range_may_show_fewer_digits() -> None:
    meter = RangedMeter(VirtualClock(), 7.2e-3, top=0.6, noise=1e-5)
    meter.written = lambda power_w: in_milliwatts(9 if meter.range_w < 0.05 else 1)(power_w)
    assert metering(meter)[0].read(0.002, 25).power_w == pytest.approx(7.2e-3, abs=1e-9)


def test_a_meter_that_is_quieter_than_its_last_digit_may_repeat_itself() -> None:
    quiet = MeterDescription(
        device="meter", section={}, range_w=10e-3, averaging_s=0.05, relative_noise=0.0,
        noise_floor_w=0.01e-6,
    )  # fmt: skip
    written = significant(5)  # of 6 mW the last digit is 0.1 µW
    meter = LitMeter(VirtualClock(), 5.1234e-3, noise=0.0, floor_w=1e-9, written=written)
    reader, _ = metering(meter, quiet, shutter=False)
    assert reader.read(0.002, 25).power_w == pytest.approx(5.1236e-3, abs=1e-7)
    assert reader.thrown_away == 0
