"""The delay meter driver: on scripted instruments, and on the simulated one over a real socket and
in process on the virtual clock."""

from __future__ import annotations

import math

import pytest
from autocell_drivers import scpi_delay_meter
from autocell_drivers.scpi_delay_meter import open_device, phase
from autocell_drivers.transports import connect
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector
from autocell_simulators.serving import serve as serve_bench
from hypothesis import given
from hypothesis import strategies as st

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.protocols import DelayMeter, OffersDelay
from autocell.errors import (
    BadReply,
    BenchFileError,
    Disconnected,
    NoReply,
    Refused,
    WrongIdentity,
)

BENCH = load(shipped("peat-bog-delay"))
SECTION = {
    "device": "phase",
    "channel": 1,
    "direction": -1,
    "modulation_mhz": 80,
    "averaging_ms": 40,
    "settings": [
        {"set": "OSC {modulation_mhz:.3f}", "ask": "OSC?", "expect": "{modulation_mhz}"},
        {"set": "SMO {averages:d}", "ask": "SMO?", "expect": "{averages}"},
    ],
}


class Meter:
    """A SCPI instrument that is set by other words than the simulated one. ``answers`` come back
    to ``READ?`` one after another."""

    def __init__(self, *answers):
        self.values = {"OSC": "1", "SMO": "1"}
        self.answers = list(answers)
        self.deaf_to = set()
        self.queue = []

    def __call__(self, line):
        command = line.decode()
        if command == "*IDN?":
            yield b"BOG,PHASE-METER,7,1.0\n"
        elif command == "SYST:ERR?":
            yield (self.queue.pop(0) if self.queue else b'0,"No error"') + b"\n"
        elif command == "READ?":
            answer = self.answers.pop(0)
            yield answer if isinstance(answer, float) else answer + b"\n"
        elif command.endswith("?"):
            yield f"{float(self.values[command[:-1]]):.6E}\n".encode()
        elif command != "*CLS":
            name, value = command.split()
            if name not in self.deaf_to:
                self.values[name] = value


@pytest.fixture(autouse=True)
def _short_of_patience(monkeypatch):
    monkeypatch.setattr(scpi_delay_meter.ScpiDelayMeter, "reply_s", 0.2)


@pytest.fixture(params=["visa-socket", "socket", "visa-pty"])
def scripted(request, serve):
    """Open a scripted meter; nothing may be left unread."""
    devices, lines = [], []

    def keep(address, line):
        lines.append(connect(address, line))
        return lines[-1]

    def start(meter, **changes):
        instrument = serve(request.param, meter)
        section = {
            "driver": "scpi-delay-meter",
            "address": instrument.address,
            "identity": "PHASE-METER",
            "path": ".",
        }
        devices.append(open_device(section | changes, RealClock(), keep))
        return devices[-1], instrument

    yield start
    for device, line in zip(devices, lines, strict=True):
        assert line.discard_input() == 0
        device.close()
        device.close()


def test_settings_are_written_and_every_one_is_read_back(scripted):
    meter = Meter(b"0.5")
    device, instrument = scripted(meter)
    assert isinstance(device, OffersDelay)
    channel = device.delay_meter("delay_meter", SECTION)
    assert isinstance(channel, DelayMeter)
    assert (channel.name, channel.reading_time_s) == ("delay_meter", 0.04)
    assert meter.values == {"OSC": "80.000", "SMO": "40"}
    assert device.notes == ("OSC? 8.000000E+01", "SMO? 4.000000E+01")
    assert [line for line in instrument.lines if line in (b"OSC?", b"SMO?")] == [b"OSC?", b"SMO?"]


def test_a_setting_that_does_not_take_is_refused_by_name(scripted):
    meter = Meter()
    meter.deaf_to.add("OSC")
    device, _ = scripted(meter)
    with pytest.raises(Refused, match=r"delay meter was told 'OSC 80\.000'.*delay_meter\.settings"):
        device.delay_meter("delay_meter", SECTION)


def test_the_phase_grows_with_the_path_whichever_way_the_instrument_counts(scripted):
    device, _ = scripted(Meter(b"0.75", b"0.75"))
    assert device.delay_meter("delay_meter", SECTION).read() == pytest.approx(-0.75)
    other = SECTION | {"direction": 1}
    assert device.delay_meter("delay_meter", other).read() == pytest.approx(0.75)


def test_what_scpi_writes_for_no_number_is_none(scripted):
    device, _ = scripted(Meter(b"9.91E37", b"9.9E+37", b"-9.9E37", b"NAN", b"INF", b"0.25"))
    channel = device.delay_meter("delay_meter", SECTION)
    assert all(math.isnan(channel.read()) for _ in range(5))
    assert channel.read() == pytest.approx(-0.25)


def test_degrees_that_were_meant_to_be_radians_are_noticed(scripted):
    device, _ = scripted(Meter(*[b"-97.4"] * 4))
    channel = device.delay_meter("delay_meter", SECTION)
    with pytest.raises(BadReply, match="does the meter answer in degrees"):
        channel.read()


def test_a_damaged_reply_is_asked_again_and_silence_ends(scripted):
    device, _ = scripted(Meter(b"0.2x5", b"0.5"))
    assert device.delay_meter("delay_meter", SECTION).read() == pytest.approx(-0.5)
    device, _ = scripted(Meter(*[0.0] * 8))
    with pytest.raises(NoReply):
        device.delay_meter("delay_meter", SECTION).read()


def test_another_instrument_is_refused_and_its_line_closed(serve):
    instrument = serve("socket", Meter())
    section = {"driver": "scpi-delay-meter", "address": instrument.address, "identity": "DELAY"}
    lines = []

    def keep(address, line):
        lines.append(connect(address, line))
        return lines[-1]

    with pytest.raises(WrongIdentity, match=r"'DELAY'.*PHASE-METER"):
        open_device(section, RealClock(), keep)
    with pytest.raises(Disconnected):
        lines[0].write(b"*IDN?\n")


@pytest.mark.parametrize(
    ("changes", "complaint"),
    [
        ({"direction": 0}, "delay_meter.direction is 0; write 1 or -1"),
        ({"direction": True}, "delay_meter.direction is True; write 1 or -1"),
        ({"modulation_mhz": -1}, "delay_meter.modulation_mhz is -1"),
        ({"channel": "one"}, "delay_meter.channel is 'one'"),
        ({"settings": [{"set": "OSC {range_w}", "ask": "OSC?", "expect": "1"}]},
         "no field is called 'range_w'; the fields are modulation_mhz, modulation_hz"),
        ({"settings": [{"set": "OSC 1", "ask": "OSC", "expect": "1"}]}, "is no query"),
    ],
)  # fmt: skip
def test_a_section_it_cannot_use_is_refused_before_anything_is_sent(serve, changes, complaint):
    instrument = serve("socket", Meter())
    section = {"driver": "scpi-delay-meter", "address": instrument.address, "identity": "PHASE"}
    device = open_device(section, RealClock(), connect)
    sent = len(instrument.lines)
    with pytest.raises(BenchFileError) as error:
        device.delay_meter("delay_meter", SECTION | changes)
    assert complaint in str(error.value)
    assert len(instrument.lines) == sent
    device.close()


def test_it_is_no_power_meter_and_no_controller(scripted):
    device, _ = scripted(Meter())
    for ask in (
        lambda: device.power_meter("power_meter", {}),
        lambda: device.axis("pitch", {}),
        lambda: device.shutter({}),
    ):
        with pytest.raises(BenchFileError, match="is a delay meter; name a"):
            ask()


@given(st.binary(max_size=40))
def test_any_reply_is_a_phase_none_or_a_bad_reply(raw):
    try:
        value = phase(raw)
    except BadReply:
        return
    assert math.isnan(value) or abs(value) <= 4.0 * math.pi


@given(st.floats(-math.pi, math.pi))
def test_a_phase_survives_being_written_down(value):
    assert phase(f" {value:+.8E}\r".encode()) == pytest.approx(value, rel=1e-8)


@pytest.fixture(params=["in process", "TCP"])
def simulated(request):
    """A simulated bench with the driver on its delay meter; nothing may be left unread."""
    lines = []

    def opened(clock, connect_to, address):
        def keep(where, line):
            lines.append(connect_to(where, line))
            return lines[-1]

        section = {**BENCH.devices["phase"].section, "path": ".", "address": address}
        return open_device(section, clock, keep)

    if request.param == "in process":
        clock = VirtualClock()
        bench = SimulatedBench(BENCH, 7, clock)
        device = opened(clock, connector(bench), BENCH.devices["phase"].address)
        yield bench, device
        assert lines[0].discard_input() == 0
        device.close()
        return
    bench = SimulatedBench(BENCH, 7, RealClock())
    with serve_bench(bench) as served:
        assert served.addresses["phase"].startswith("TCPIP::127.0.0.1::")
        device = opened(RealClock(), connect, served.addresses["phase"])
        yield bench, device
        assert lines[0].discard_input() == 0
        device.close()


def test_the_simulated_meter_is_read_to_its_noise(simulated):
    bench, device = simulated
    assert "DELAY-METER" in device.identity
    channel = device.delay_meter("delay_meter", BENCH.delay_meter.section)
    assert "SOUR:FREQ? +8.00000000E+07" in device.notes
    traits = bench.delay_meter.traits
    report = bench.truth_report()
    # φ = 2π f L / c, the speed of light from the SI brochure, 9th edition (2019)
    lag = 2.0 * math.pi * 80e6 * report["path_length_m"] / 299_792_458.0 + traits.offset_rad
    room = 6.0 * traits.noise_rad + 1e-3 + abs(traits.level_rad)
    for _ in range(3):
        assert math.remainder(channel.read() - lag, 2.0 * math.pi) == pytest.approx(0, abs=room)
    assert bench.delay_meter.readings == 3


def test_in_the_dark_the_simulated_meter_has_none(simulated):
    bench, device = simulated
    channel = device.delay_meter("delay_meter", BENCH.delay_meter.section)
    bench.laser_on = False
    assert math.isnan(channel.read())
    bench.laser_on = True
    assert math.isfinite(channel.read())
