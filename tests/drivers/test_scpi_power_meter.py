"""The power meter driver against a small SCPI instrument on a real socket and a real pty."""

from __future__ import annotations

import math

import pytest
from autocell_drivers import scpi_power_meter
from autocell_drivers.scpi_power_meter import open_device
from autocell_drivers.transports import connect

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.protocols import Line, PowerMeter
from autocell.errors import BenchFileError, Disconnected, NoReply, Refused, WrongIdentity

SECTION = {
    "device": "meter",
    "channel": 1,
    "range_mw": 10,
    "averaging_ms": 50,
    "wavelength_nm": 1654,
    "settings": [
        {
            "set": "SENS:POW:WAV {wavelength_nm:.1f}",
            "ask": "SENS:POW:WAV?",
            "expect": "{wavelength_nm}",
        },
        {
            "set": "SENS:POW:RANG {range_w:.3e}",
            "ask": "SENS:POW:RANG?",
            "expect": "{range_w}",
        },
        {
            "set": "SENS:AVER:COUN {averages:d}",
            "ask": "SENS:AVER:COUN?",
            "expect": "{averages}",
        },
    ],
}


class Meter:
    """A SCPI instrument. ``trouble`` gives, for the next of a query, what comes back instead."""

    identity = b"BOG,POWER-METER,7,1.0"

    def __init__(self):
        self.values = {"SENS:POW:WAV": "1550.0", "SENS:POW:RANG": "1.0e-1", "SENS:AVER:COUN": "1"}
        self.queue = []
        self.highest_wavelength_nm = 1700.0
        self.deaf_to = set()
        self.trouble = {}
        self.readings = 0

    def __call__(self, line):
        command = line.decode()
        if self.trouble.get(command):
            yield from self.trouble[command].pop(0)
        elif command == "*IDN?":
            yield self.identity + b"\n"
        elif command == "*CLS":
            self.queue.clear()
        elif command == "SYST:ERR?":
            yield (self.queue.pop(0) if self.queue else b'0,"No error"') + b"\n"
        elif command == "READ?":
            self.readings += 1
            yield b"%.6E\n" % (self.readings * 1e-3)
        elif command.endswith("?"):
            yield f"{float(self.values[command[:-1]]):.6E}\n".encode()
        else:
            self.set(*command.split())

    def set(self, name, value):
        if name == "SENS:POW:WAV" and float(value) > self.highest_wavelength_nm:
            self.queue.append(b'-222,"Data out of range"')
        elif name not in self.deaf_to:
            self.values[name] = value


def section(address, **changes):
    words = {
        "driver": "scpi-power-meter",
        "address": address,
        "identity": "POWER-METER",
        "path": ".",
    }
    return words | changes


@pytest.fixture(autouse=True)
def _short_of_patience(monkeypatch):
    monkeypatch.setattr(scpi_power_meter.ScpiPowerMeter, "reply_s", 0.2)


@pytest.fixture(params=["visa-socket", "socket", "visa-pty"])
def bench(request, serve):
    """Open a scripted meter; nothing may be left unread."""
    devices, lines = [], []

    def keep(address, line):
        lines.append(connect(address, line))
        return lines[-1]

    def start(meter):
        instrument = serve(request.param, meter)
        devices.append(open_device(section(instrument.address), RealClock(), keep))
        return devices[-1], instrument

    yield start
    for device, line in zip(devices, lines, strict=True):
        assert line.discard_input() == 0
        device.close()
        device.close()


def test_settings_are_written_and_every_one_is_read_back(bench):
    device, instrument = bench(Meter())
    channel = device.power_meter("power_meter", SECTION)
    assert isinstance(channel, PowerMeter)
    assert (channel.name, channel.reading_time_s) == ("power_meter", 0.05)
    assert device.identity == "BOG,POWER-METER,7,1.0"
    written = [line for line in instrument.lines if b"?" not in line]
    assert written == [
        b"*CLS",
        b"SENS:POW:WAV 1654.0",
        b"SENS:POW:RANG 1.000e-02",
        b"SENS:AVER:COUN 50",
    ]
    assert list(device.notes) == [
        "SENS:POW:WAV? 1.654000E+03",
        "SENS:POW:RANG? 1.000000E-02",
        "SENS:AVER:COUN? 5.000000E+01",
    ]


def test_each_reading_is_a_fresh_one(bench):
    device, instrument = bench(Meter())
    channel = device.power_meter("power_meter", SECTION)
    assert [channel.read().power_w for _ in range(3)] == [1e-3, 2e-3, 3e-3]
    assert instrument.lines.count(b"READ?") == 3


def test_setting_the_instrument_refuses_is_told_with_its_own_error(bench):
    meter = Meter()
    meter.highest_wavelength_nm = 1100.0
    device, _ = bench(meter)
    with pytest.raises(Refused, match=r"SENS:POW:WAV 1654\.0.*-222, Data out of range"):
        device.power_meter("power_meter", SECTION)


def test_setting_that_was_refused_for_a_flipped_bit_is_written_once_more(bench):
    meter = Meter()
    meter.trouble["SENS:POW:WAV 1654.0"] = [misheard(meter)]
    device, instrument = bench(meter)
    device.power_meter("power_meter", SECTION)
    assert meter.values["SENS:POW:WAV"] == "1654.0"
    assert instrument.lines.count(b"SENS:POW:WAV 1654.0") == 2


def misheard(meter):
    """A message that meant nothing to the instrument, which says so when it is asked."""
    meter.queue.append(b'-113,"Undefined header"')
    yield b""


def test_setting_that_reads_back_otherwise_is_refused(bench):
    meter = Meter()
    meter.deaf_to.add("SENS:POW:WAV")
    device, _ = bench(meter)
    with pytest.raises(Refused, match=r"SENS:POW:WAV\? reads '1\.550000E\+03'.*'1654\.0'"):
        device.power_meter("power_meter", SECTION)


def test_a_range_that_the_instrument_rounds_names_the_range_to_write(bench):
    meter = Meter()
    meter.deaf_to.add("SENS:POW:RANG")  # and has 100 mW
    device, _ = bench(meter)
    with pytest.raises(Refused, match=r"SENS:POW:RANG\? reads '1\.000000E-01'") as refused:
        device.power_meter("power_meter", SECTION | {"range_mw": 20})
    assert "write power_meter.range_mw: 100; if not, correct power_meter.settings" in str(
        refused.value
    )
    device.power_meter("power_meter", SECTION | {"range_mw": 100})


@pytest.mark.parametrize(
    ("changes", "answer"),
    [
        ({}, b"AUTO\n"),
        ({}, b"9.9E37\n"),
        ({}, b"0\n"),
        ({"settings": [{"set": "A 1", "ask": "SENS:POW:RANG?", "expect": "1"}]}, b"0.1\n"),
    ],
)
def test_what_is_no_range_names_none(bench, changes, answer):
    meter = Meter()
    meter.trouble["SENS:POW:RANG?"] = [[answer], [answer]]
    meter.values["A"] = "1"
    device, _ = bench(meter)
    with pytest.raises(Refused, match=r"correct power_meter\.settings") as refused:
        device.power_meter("power_meter", SECTION | changes)
    assert "range_mw" not in str(refused.value)


def test_old_errors_in_the_queue_are_shown_and_cleared(bench):
    meter = Meter()
    meter.queue += [b'-113,"Undefined header"', b'-410,"Query INTERRUPTED"']
    device, _ = bench(meter)
    assert list(device.notes) == ["old error in the queue: -113, Undefined header"]
    assert meter.queue == []


@pytest.mark.parametrize("answer", [b"9.9E37\n", b"-9.9E37\n", b"9.91E37\n", b"NAN\n", b"1.0E-2\n"])
def test_saturated_reading_carries_no_power(bench, answer):
    meter = Meter()
    meter.trouble["READ?"] = [[answer]]
    device, _ = bench(meter)
    found = device.power_meter("power_meter", SECTION).read()
    assert found.overrange
    assert math.isnan(found.power_w)


@pytest.mark.parametrize("answer", [[], [b"5.0E"], [b"5.0\n"], [b"\xff\xfe\n"], [b"5E-3,5E-3\n"]])
def test_lost_or_damaged_reading_is_taken_again(bench, answer):
    meter = Meter()
    meter.trouble["READ?"] = [answer]
    device, _ = bench(meter)
    assert device.power_meter("power_meter", SECTION).read().power_w == 1e-3


def test_late_reading_never_answers_the_next_question(bench):
    meter = Meter()
    meter.trouble["READ?"] = [[0.4, b"7.0E-3\n"]]
    device, _ = bench(meter)
    channel = device.power_meter("power_meter", SECTION)
    assert [channel.read().power_w for _ in range(2)] == [1e-3, 2e-3]


def test_meter_that_hangs_up_again_and_again_is_disconnected(serve, hang_up):
    meter = Meter()
    instrument = serve("visa-socket", meter)
    device = open_device(section(instrument.address), RealClock(), connect)
    channel = device.power_meter("power_meter", SECTION)
    meter.trouble["READ?"] = [[hang_up], [hang_up]]
    with pytest.raises(Disconnected):
        channel.read()
    device.close()


@pytest.mark.parametrize(
    ("answer", "error", "told"),
    [
        ([b"BOG,OTHER-METER,7,1.0\n"], WrongIdentity, "POWER-METER.*OTHER-METER"),
        ([b"ID PLAIN-MOTION\n"], WrongIdentity, "POWER-METER.*PLAIN-MOTION"),
        ([], NoReply, "silent"),
    ],
)
def test_wrong_or_silent_meter_is_refused_and_let_go(serve, answer, error, told):
    instrument = serve("visa-socket", lambda line: iter(answer))
    with pytest.raises(error, match=told):
        open_device(section(instrument.address), RealClock(), connect)
    connect(instrument.address, Line(RealClock())).close()


def test_unknown_key_is_refused_before_anything_opens():
    def opens_nothing(address, line):
        raise AssertionError(f"{address} was opened")

    with pytest.raises(BenchFileError, match="dialect is not a key"):
        open_device(section("TCPIP::x::1::SOCKET", dialect="y"), VirtualClock(), opens_nothing)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"settings": "SENS"}, r"power_meter\.settings: write a list"),
        ({"settings": ["SENS"]}, r"power_meter\.settings\[0\]: write"),
        ({"settings": [{"set": "A 1", "ask": "A?"}]}, r"settings\[0\]\.expect is None"),
        (
            {"settings": [{"set": "A 1", "ask": "A?", "expect": "1", "wait": "1"}]},
            r"settings\[0\]\.wait is not a key",
        ),
        (
            {"settings": [{"set": "A {wave}", "ask": "A?", "expect": "1"}]},
            r"settings\[0\]\.set: no field is called 'wave'; the fields are wavelength_nm",
        ),
        ({"settings": [{"set": "A 1", "ask": "A", "expect": "1"}]}, r"settings\[0\]\.ask 'A'"),
        ({"range_mw": 0}, r"power_meter\.range_mw is 0"),
        ({"averaging_ms": None}, r"power_meter\.averaging_ms is None"),
        ({"channel": "A"}, r"power_meter\.channel is 'A'"),
    ],
)
def test_meter_section_that_cannot_be_used_sends_nothing(serve, changes, told):
    instrument = serve("visa-socket", Meter())
    device = open_device(section(instrument.address), RealClock(), connect)
    before = list(instrument.lines)
    with pytest.raises(BenchFileError, match=told):
        device.power_meter("power_meter", SECTION | changes)
    assert instrument.lines == before
    device.close()


def test_second_channel_is_asked_by_its_suffix(serve):
    meter = Meter()
    meter.trouble["READ2?"] = [[b"4.0E-3\n"]]
    instrument = serve("visa-socket", meter)
    device = open_device(section(instrument.address), RealClock(), connect)
    channel = device.power_meter("power_meter", SECTION | {"channel": 2})
    assert channel.read().power_w == 4e-3
    device.close()


def test_power_meter_moves_and_blocks_nothing(serve):
    device = open_device(section(serve("visa-socket", Meter()).address), RealClock(), connect)
    with pytest.raises(BenchFileError, match="power meter"):
        device.axis("spacing", {})
    with pytest.raises(BenchFileError, match="power meter"):
        device.shutter({})
    device.close()
