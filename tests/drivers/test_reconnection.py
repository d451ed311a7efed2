"""Lines that go and come back, on real pseudo-terminals and sockets, some under another name."""

from __future__ import annotations

import contextlib
import os
from types import SimpleNamespace

import pytest
from autocell_drivers import ascii_motion, scpi_power_meter
from autocell_drivers.lasting_line import names_the_instrument
from autocell_drivers.transports import connect, usb_serial

from autocell.bench.clock import RealClock
from autocell.bench.file import shipped
from autocell.errors import BenchFileError, Disconnected, Refused, WrongIdentity

CLOCK = RealClock()
AXIS = {"device": "motion", "channel": 1, "limits_mm": [0, 50], "repeatability_mm": 0.001}
METER = {
    "device": "meter",
    "range_mw": 10,
    "averaging_ms": 50,
    "wavelength_nm": 1654,
    "settings": [
        {"set": "SENS:POW:WAV {wavelength_nm}", "ask": "SENS:POW:WAV?", "expect": "{wavelength_nm}"}
    ],
}


class Controller:
    """One axis, which keeps what it knows when its cable is pulled.

    ``at_move`` and ``at_question`` are steps of a script that follow a move or a question.
    """

    def __init__(self, serial_number="0417"):
        self.identity = f"ID PLAIN-MOTION 1.2 SN {serial_number}"
        self.position = "10.00000"
        self.at_question = []
        self.at_move = []

    def __call__(self, line):
        command = line.decode()
        if command == "1 PO?" and self.at_question:
            yield from self.at_question.pop()
        if command.startswith("1 MA"):
            self.position = command.split()[2]
            if self.at_move:
                yield from self.at_move.pop()
        yield {
            "ID?": self.identity,
            "1 PO?": f"1 PO {self.position}",
            "1 ST?": "1 ST 10",
            "1 LI?": "1 LI 0 50",
        }.get(command, "1 OK").encode() + b"\r\n"


class Meter:
    """A meter that forgets its wavelength whenever its line goes, as one that lost power does."""

    def __init__(self, hang_up):
        self.hang_up = hang_up
        self.wavelength = "1550"
        self.takes = True
        self.readings = 0

    def __call__(self, line):
        command = line.decode()
        if command.startswith("SENS:POW:WAV "):
            self.wavelength = command.split()[1] if self.takes else "1550"
        elif command == "READ?":
            self.readings += 1
            if self.readings == 2:
                self.wavelength = "1550"
                yield self.hang_up
            yield b"%.6E\n" % (1e-3 * self.readings)
        elif command != "*CLS":
            yield {
                "*IDN?": "BOG,POWER-METER,7,1.0",
                "SYST:ERR?": '0,"No error"',
                "SENS:POW:WAV?": self.wavelength,
            }[command].encode() + b"\n"


def point(link, device):
    """What the system does when a port appears: its name by identity leads there."""
    with contextlib.suppress(FileNotFoundError):
        link.unlink()
    link.symlink_to(device)


@pytest.fixture
def by_id(tmp_path):
    return tmp_path / "usb-Bog_Motion_0417-if00"


@pytest.fixture
def opened():
    devices = []

    def open_motion(address, **changes):
        section = {
            "driver": "ascii-motion",
            "address": str(address),
            "identity": "PLAIN-MOTION",
            "dialect": "plain-motion.yaml",
            "path": str(shipped("plain-motion").parent),
        }
        devices.append(ascii_motion.open_device(section | changes, CLOCK, connect))
        return devices[-1]

    yield open_motion
    for device in devices:
        device.close()


@pytest.fixture
def two_ports(serve, hang_up, by_id):
    """A controller at one port, its cable's next port, and the steps of the change between."""
    before, after = Controller(), Controller()
    first = serve("pty", before, b"\r")
    second = serve("pty", after, b"\r")
    point(by_id, first.device)

    def replug():
        point(by_id, second.device)
        after.position = before.position
        yield hang_up

    return SimpleNamespace(
        before=before, after=after, first=first, second=second, replug=replug, address=by_id
    )


def test_question_is_answered_by_the_same_instrument_under_its_new_name(opened, two_ports):
    device = opened(two_ports.address)
    axis = device.axis("spacing", AXIS)
    two_ports.before.at_question.append(two_ports.replug())
    assert axis.position() == pytest.approx(10e-3)
    assert os.path.realpath(two_ports.address) == two_ports.second.device
    assert two_ports.second.lines[0] == b"ID?"
    assert "was gone" in device.notes[-1]


def test_move_whose_acknowledgement_went_with_the_line_is_not_sent_again(opened, two_ports):
    axis = opened(two_ports.address).axis("spacing", AXIS)
    two_ports.before.at_move.append(two_ports.replug())
    axis.start_move(12e-3)
    assert axis.position() == pytest.approx(12e-3)
    moves = [line for port in (two_ports.first, two_ports.second) for line in port.lines]
    assert sum(b"MA" in line for line in moves) == 1


def test_move_that_went_with_the_line_is_reported_and_not_sent_again(opened, two_ports):
    axis = opened(two_ports.address).axis("spacing", AXIS)

    def lose_it():
        two_ports.before.position = "10.00000"
        yield from two_ports.replug()

    two_ports.before.at_move.append(lose_it())
    with pytest.raises(Disconnected):
        axis.start_move(12e-3)
    assert axis.position() == pytest.approx(10e-3)
    assert not any(b"MA" in line for line in two_ports.second.lines)


def test_line_that_went_between_two_questions_is_found_before_a_move_is_sent(
    opened, serve, hang_up
):
    controller = Controller()
    instrument = serve("socket", controller, b"\r")
    axis = opened(instrument.address).axis("spacing", AXIS)
    axis.position()

    def answer_and_leave():
        yield b"1 PO 10.00000\r\n"
        yield hang_up

    controller.at_question.append(answer_and_leave())
    axis.position()
    CLOCK.sleep(0.1)
    axis.start_move(12e-3)
    assert sum(b"MA" in line for line in instrument.lines) == 1
    assert axis.position() == pytest.approx(12e-3)


def test_another_instrument_at_the_same_address_is_never_spoken_to(opened, two_ports):
    axis = opened(two_ports.address).axis("spacing", AXIS)
    two_ports.after.identity = "ID PLAIN-MOTION 1.2 SN 9999"
    two_ports.before.at_question.append(two_ports.replug())
    with pytest.raises(WrongIdentity, match=r"0417.*9999"):
        axis.position()
    with pytest.raises(WrongIdentity, match=r"0417.*9999"):
        axis.stop()
    assert set(two_ports.second.lines) == {b"ID?"}


def test_stop_reaches_an_instrument_that_is_back(opened, two_ports):
    axis = opened(two_ports.address).axis("spacing", AXIS)
    two_ports.before.at_move.append(two_ports.replug())
    axis.start_move(12e-3)
    axis.stop()
    assert b"1 SP" in two_ports.second.lines


def test_line_that_stays_away_ends_as_disconnected_and_stop_does_not_wait_for_it(
    opened, serve, hang_up, by_id
):
    controller = Controller()
    point(by_id, serve("pty", controller, b"\r").device)
    axis = opened(by_id, reconnect_s=0.6).axis("spacing", AXIS)

    def leave():
        by_id.unlink()
        yield hang_up

    controller.at_question.append(leave())
    with pytest.raises(Disconnected, match="not come back"):
        axis.position()
    sleeps = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(RealClock, "sleep", lambda _clock, seconds: sleeps.append(seconds))
        with pytest.raises(Disconnected):
            axis.stop()
    assert sleeps == []


def test_port_by_a_passing_name_is_not_opened_again(opened, serve, hang_up):
    controller = Controller()
    instrument = serve("pty", controller, b"\r")
    axis = opened(instrument.address).axis("spacing", AXIS)
    controller.at_question.append(iter([hang_up]))
    with pytest.raises(Disconnected):
        axis.position()


@pytest.mark.parametrize("kind", ["visa-socket", "socket"])
def test_meter_that_lost_its_settings_is_set_again_before_it_is_read(serve, hang_up, kind):
    meter = Meter(hang_up)
    instrument = serve(kind, meter)
    section = {"driver": "scpi-power-meter", "address": instrument.address, "identity": "POWER"}
    device = scpi_power_meter.open_device(section, CLOCK, connect)
    channel = device.power_meter("power_meter", METER)
    assert [channel.read().power_w for _ in range(2)] == [1e-3, 3e-3]
    assert float(meter.wavelength) == 1654.0
    sets = [line for line in instrument.lines if line.startswith(b"SENS:POW:WAV ")]
    assert len(sets) == 2
    device.close()


def test_meter_that_does_not_take_its_settings_again_gives_no_reading(serve, hang_up):
    meter = Meter(hang_up)
    instrument = serve("socket", meter)
    section = {"driver": "scpi-power-meter", "address": instrument.address, "identity": "POWER"}
    device = scpi_power_meter.open_device(section, CLOCK, connect)
    channel = device.power_meter("power_meter", METER)
    channel.read()
    meter.takes = False
    for _ in range(2):
        with pytest.raises(Refused, match="1550"):
            channel.read()
    assert instrument.lines.count(b"READ?") == 2
    device.close()


def test_zero_seconds_is_no_waiting_and_less_is_refused(opened, serve, hang_up, by_id):
    with pytest.raises(BenchFileError, match="reconnect_s"):
        opened("/dev/none", reconnect_s=-1)
    controller = Controller()
    point(by_id, serve("pty", controller, b"\r").device)
    axis = opened(by_id, reconnect_s=0).axis("spacing", AXIS)

    def leave():
        by_id.unlink()
        yield hang_up

    controller.at_question.append(leave())
    with pytest.raises(Disconnected):
        axis.position()


def test_which_addresses_name_an_instrument(by_id, serve):
    port = serve("pty", Controller(), b"\r").device
    point(by_id, port)
    for address in (
        str(by_id),
        f"ASRL{by_id}::INSTR",
        "serial-number:A10K9X",
        "socket://127.0.0.1:4000",
        "TCPIP::127.0.0.1::5025::SOCKET",
        "USB0::0x1234::0x5678::SN1::INSTR",
    ):
        assert names_the_instrument(address), address
    for address in (port, f"ASRL{port}::INSTR"):
        assert not names_the_instrument(address), address


def test_adapter_is_found_by_its_serial_number_wherever_it_is_plugged_in():
    ports = [
        SimpleNamespace(device="/dev/ttyS0", serial_number=None),
        SimpleNamespace(device="/dev/ttyUSB1", serial_number="A10K9X"),
        SimpleNamespace(device="/dev/ttyUSB0", serial_number="B22"),
        SimpleNamespace(device="/dev/ttyUSB2", serial_number="B22"),
    ]
    assert usb_serial.find("serial-number:A10K9X", ports) == "/dev/ttyUSB1"
    with pytest.raises(Disconnected, match="A10K9X, B22"):
        usb_serial.find("serial-number:C3", ports)
    with pytest.raises(BenchFileError, match="/dev/ttyUSB0, /dev/ttyUSB2"):
        usb_serial.find("serial-number:B22", ports)


def test_number_of_no_adapter_is_disconnected_on_opening(opened):
    with pytest.raises(Disconnected, match="NO-SUCH-ADAPTER"):
        opened("serial-number:NO-SUCH-ADAPTER")
