"""A SCPI power meter is asked for its next larger range, on real sockets and pseudo-terminals."""

from __future__ import annotations

import math

import pytest
from autocell_drivers import scpi_power_meter
from autocell_drivers.transports import connect

from autocell.bench.clock import RealClock
from autocell.bench.metering import Metering
from autocell.bench.protocols import HasLargerRange
from autocell.description import MeterDescription
from autocell.errors import ReadingError

CLOCK = RealClock()
RANGE_ROW = {"set": "SENS:POW:RANG {range_w:.3e}", "ask": "SENS:POW:RANG?", "expect": "{range_w}"}
SECTION = {
    "device": "meter",
    "range_mw": 10,
    "averaging_ms": 20,
    "wavelength_nm": 1654,
    "settings": [RANGE_ROW],
}
DESCRIPTION = MeterDescription(
    device="meter",
    section={},
    range_w=10e-3,
    averaging_s=0.02,
    relative_noise=0.003,
    noise_floor_w=0.5e-6,
)


class RangedMeter:
    """Takes the smallest of its ranges that holds what it is told. Shows ``light_w`` as ``written``
    writes it, a little more each time, and of each range no more than ``top``."""

    def __init__(self, *ranges_w, light_w=7.2e-3, top=0.6, written="%.8E"):
        self.ranges_w, self.range_w = ranges_w, ranges_w[-1]
        self.light_w, self.top, self.written = light_w, top, written
        self.queue, self.said, self.readings = [], [], 0
        self.hang_up = None

    def __call__(self, line):
        command = line.decode()
        if command.startswith("SENS:POW:RANG "):
            self.take(float(command.split()[1]))
        elif command == "READ?" and self.hang_up is not None:
            ended, self.hang_up, self.range_w = self.hang_up, None, self.ranges_w[-1]
            yield ended
        elif command != "*CLS":
            yield self.answer(command).encode() + b"\n"

    def take(self, range_w):
        fitting = [known for known in self.ranges_w if known >= range_w * 0.999]
        if fitting:
            self.range_w = fitting[0]
        else:
            self.queue.append('-222,"Data out of range"')

    def answer(self, command):
        match command:
            case "*IDN?":
                return "BOG,POWER-METER,7,1.0"
            case "SYST:ERR?":
                return self.queue.pop(0) if self.queue else '0,"No error"'
            case "SENS:POW:RANG?":
                return self.said.pop(0) if self.said else f"{self.range_w:.6E}"
        self.readings += 1
        shown_w = self.light_w * (1.0 + 1.2345e-5 * self.readings)
        return self.written % min(shown_w, self.top * self.range_w)


class Dark:
    """Puts a meter in the dark while it is closed."""

    def __init__(self, meter):
        self.meter, self.light_w = meter, meter.light_w

    def close(self):
        self.meter.light_w = 1.2345e-7

    def open(self):
        self.meter.light_w = self.light_w


@pytest.fixture(params=["visa-socket", "visa-pty"])
def opened(request, serve, monkeypatch):
    """Open a channel of a scripted meter."""
    monkeypatch.setattr(scpi_power_meter.ScpiPowerMeter, "reply_s", 0.3)
    devices = []

    def start(meter, **changes):
        instrument = serve(request.param, meter)
        section = {
            "driver": "scpi-power-meter",
            "address": instrument.address,
            "identity": "POWER-METER",
            "path": ".",
        }
        devices.append(scpi_power_meter.open_device(section, CLOCK, connect))
        return devices[-1].power_meter("power_meter", SECTION | changes), instrument

    yield start
    for device in devices:
        device.close()


@pytest.mark.parametrize("ranges_w", [(1e-2, 1e-1, 1.0), (1e-2, 1.5e-2, 2e-2)])
def test_the_next_larger_range_is_taken_and_read_in(opened, ranges_w):
    meter = RangedMeter(*ranges_w, light_w=0.95 * ranges_w[1], top=1.2)
    channel, _ = opened(meter)
    assert isinstance(channel, HasLargerRange)
    assert channel.read().overrange
    taken_w = channel.take_larger_range()
    assert taken_w == meter.range_w
    assert taken_w in ranges_w[1:]
    assert channel.read().power_w == pytest.approx(0.95 * ranges_w[1], rel=1e-3)
    assert channel.check_range() is None


def test_a_range_that_is_changed_back_meanwhile_is_set_again(opened):
    meter = RangedMeter(1e-2, 1e-1, 1.0)
    channel, _ = opened(meter)
    channel.take_larger_range()
    meter.range_w = 1e-2
    assert "instead of 0.1" in channel.check_range()
    assert meter.range_w == 1e-1


@pytest.mark.parametrize("said", ["AUTO", "9.9E37"])
def test_what_is_no_range_is_not_taken_for_one(opened, said):
    meter = RangedMeter(1e-2, 1e-1)
    channel, _ = opened(meter)
    meter.said = [said] * (8 if said == "AUTO" else 2)
    assert channel.take_larger_range() is None
    assert meter.range_w == 1e-2


def test_a_meter_without_a_larger_range_keeps_its_own(opened):
    meter = RangedMeter(1e-3, 1e-2)
    channel, _ = opened(meter)
    assert channel.take_larger_range() is None
    assert meter.range_w == 1e-2
    assert channel.check_range() is None


def test_where_no_setting_tells_the_range_nothing_is_sent(opened):
    channel, instrument = opened(RangedMeter(1e-2, 1e-1), settings=[])
    before = list(instrument.lines)
    assert channel.take_larger_range() is None
    assert instrument.lines == before


@pytest.mark.parametrize("opened", ["visa-socket"], indirect=True)
def test_the_larger_range_is_set_again_when_the_line_was_gone(opened, hang_up):
    meter = RangedMeter(1e-2, 1e-1, 1.0)
    channel, _ = opened(meter)
    channel.take_larger_range()
    meter.hang_up = hang_up
    assert channel.read().power_w == pytest.approx(7.2e-3, rel=1e-3)
    assert meter.range_w == 1e-1


def test_a_flat_top_is_read_above_in_the_next_range(opened):
    meter = RangedMeter(1e-2, 1e-1)
    channel, _ = opened(meter)
    told = []
    reader = Metering(DESCRIPTION, channel, Dark(meter), CLOCK, lambda: None, told.append)
    assert reader.read(0.002, 25).power_w == pytest.approx(7.2e-3, rel=2e-3)
    assert meter.range_w == 1e-1
    assert "shows 6 mW again and again" in told[-1]


def test_a_flat_top_without_a_range_above_is_refused(opened):
    meter = RangedMeter(1e-2)
    channel, _ = opened(meter)
    reader = Metering(DESCRIPTION, channel, Dark(meter), CLOCK, lambda: None, lambda _: None)
    with pytest.raises(ReadingError, match="shows 6 mW"):
        reader.read(0.002, 25)


def test_a_meter_that_writes_few_digits_may_repeat_them(opened):
    meter = RangedMeter(1e-2, light_w=5.03e-3, written="%.2E")
    channel, _ = opened(meter)
    reader = Metering(DESCRIPTION, channel, Dark(meter), CLOCK, lambda: None, lambda _: None)
    power = reader.read(0.002, 25)
    assert power.power_w == pytest.approx(5.03e-3, rel=1e-3)
    assert reader.thrown_away == 0
    assert math.isclose(meter.range_w, 1e-2)
