"""Meters and shutters: fresh readings, alarms, and a feedback loop on a noisy power."""

from __future__ import annotations

import pytest

from autocell.bench.metering import Metering
from autocell.bench.protocols import PowerMeter
from autocell.description import MeterDescription
from autocell.errors import BenchFileError, NoReply, ReadingError, Refused
from tests.drivers.epics.systems import CLOCK, METER, SPACING, go

pytestmark = pytest.mark.thorough


def test_reading_was_processed_after_it_was_asked_for(bog):
    axis, meter = bog.axis("spacing", SPACING), bog.power_meter("power_meter", METER)
    go(axis, 20e-3)
    lit = meter.read().power_w
    go(axis, 12e-3)
    assert meter.read().power_w < 0.1 * lit
    readings = [meter.read().power_w for _ in range(4)]
    assert len(set(readings)) == 4


def test_power_that_their_record_computes_is_maximised(bog):
    """A feedback loop over somebody else's server: golden-section search on a noisy power."""
    axis, meter = bog.axis("spacing", SPACING), bog.power_meter("power_meter", METER)
    assert isinstance(meter, PowerMeter)

    def power(position):
        go(axis, position)
        return sum(meter.read().power_w for _ in range(2)) / 2.0

    low, high, ratio = 18e-3, 23e-3, (5**0.5 - 1.0) / 2.0
    left, right = high - ratio * (high - low), low + ratio * (high - low)
    at_left, at_right = power(left), power(right)
    while high - low > 0.6e-3:
        if at_left < at_right:
            low, left, at_left = left, right, at_right
            right = low + ratio * (high - low)
            at_right = power(right)
        else:
            high, right, at_right = right, left, at_left
            left = high - ratio * (high - low)
            at_left = power(left)
    # bog.db has its maximum of 1.5 mW at 20 mm, 3 mm wide, with 0.005 mW of noise
    assert (low + high) / 2.0 == pytest.approx(20e-3, abs=0.6e-3)
    assert max(at_left, at_right) == pytest.approx(1.5e-3, abs=0.05e-3)


def test_alarms_of_records_are_honoured(bog):
    broken = bog.power_meter("power_meter", METER | {"channel": "broken"})
    with pytest.raises(Refused, match="invalid"):
        broken.read()
    bright = bog.power_meter("power_meter", METER | {"channel": "bright"})
    assert bright.read().overrange
    stale = bog.power_meter("power_meter", METER | {"channel": "stale"})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("autocell_drivers.epics_meter._PROCESSED_S", 0.3)
        with pytest.raises(NoReply, match="SCAN"):
            stale.read()
    with pytest.raises(BenchFileError, match=r"EGU.*'V'"):
        bog.power_meter("power_meter", METER | {"channel": "volts"})


def test_shutter_is_a_binary_output_that_is_read_back(bog):
    shutter = bog.shutter({"channel": "shutter"})
    shutter.close()
    shutter.open()
    with pytest.raises(BenchFileError, match="no-shutter"):
        bog.shutter({"channel": "no-shutter"})


@pytest.fixture
def reader(bog):
    """How a record is read behind the shutter of its server."""
    described = MeterDescription("bog", {}, 10e-3, 0.1, relative_noise=0.003, noise_floor_w=0.5e-6)

    def of(record):
        meter = bog.power_meter("power_meter", METER | {"channel": record, "range_mw": 10})
        shutter = bog.shutter({"channel": "shutter"})
        return Metering(described, meter, shutter, CLOCK, lambda: None, lambda _: None)

    return of


def test_record_of_few_digits_may_repeat_them(reader):
    coarse = reader("coarse")
    assert coarse.read(0.002, 25).power_w == pytest.approx(5.03e-3)
    assert coarse.thrown_away == 0


def test_record_that_is_cut_off_nine_times_of_ten_is_no_reading(reader):
    with pytest.raises(ReadingError, match="shows 4 mW again and again"):
        reader("cut").read(0.0, 25)
