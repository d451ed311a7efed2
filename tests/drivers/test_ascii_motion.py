"""The motion driver against small controllers on real pseudo-terminals.

The controllers follow a script; the driver's clock is virtual, so that the lag of a moving bit
is a matter of steps and not of luck.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from autocell_drivers.ascii_motion import open_device
from autocell_drivers.transports import connect

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.file import shipped
from autocell.bench.protocols import Line, ReportsLimits, ReportsReference
from autocell.errors import (
    BadReply,
    BenchFileError,
    Busy,
    Disconnected,
    LimitError,
    NoReply,
    Refused,
    WrongIdentity,
)

CONFIGS = shipped("plain-motion").parent
SPACING = {"device": "motion", "channel": 1, "limits_mm": [0, 50], "repeatability_mm": 0.001}
YAW = {"device": "motion", "channel": 3, "limits_mrad": [-15, 15], "repeatability_mrad": 0.01}
DIALECT = shipped("plain-motion").read_text("utf-8").replace("time_ms: 300", "time_ms: 100")


class PlainController:
    """Answers as docs/plain-motion.md says; moves are over at once unless told otherwise.

    ``trouble`` gives, for the n-th occurrence of a command, what comes back instead.
    """

    def __init__(self):
        self.position = {1: "10.00000", 3: "0.00000"}
        self.status = {1: "10", 3: "10"}
        self.output = "1"
        self.trouble = {}
        self.deaf_to_moves = 0

    def __call__(self, line):
        command = line.decode()
        answers = self.trouble.get(re.sub(r"[-\d.]+", "#", command), [])
        answer = self.answer(command)
        if answers:
            yield from answers.pop(0)
        else:
            yield answer.encode() + b"\r\n"

    def answer(self, command):
        if command == "ID?":
            return "ID PLAIN-MOTION 1.2 SN 0417"
        if command == "0 SP":
            return "0 OK"
        number, verb, *rest = command.split()
        if verb == "OU":
            self.output = rest[0]
            return f"{number} OK"
        if verb == "OU?":
            return f"{number} OU {self.output}"
        axis = int(number)
        if axis not in self.position:
            return f"{number} ER 2 AXIS"
        if verb == "MA":
            if self.deaf_to_moves:
                self.deaf_to_moves -= 1
                return f"{number} OK"
            if abs(float(rest[0])) > 50.0:
                return f"{number} ER 3 LIMIT"
            self.position[axis] = rest[0]
        return {
            "PO?": f"{number} PO {self.position[axis]}",
            "ST?": f"{number} ST {self.status[axis]}",
            "LI?": f"{number} LI 0.00000 50.00000",
        }.get(verb, f"{number} OK")


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "plain-motion.yaml").write_text(DIALECT, encoding="utf-8")
    for name in ("step-counting-motion", "checked-motion"):
        (tmp_path / f"{name}.yaml").write_text(shipped(name).read_text("utf-8"), encoding="utf-8")
    return tmp_path


def section(folder: Path, address: str, **changes):
    words = {
        "driver": "ascii-motion",
        "address": address,
        "dialect": "plain-motion.yaml",
        "identity": "PLAIN-MOTION",
        "path": str(folder),
    }
    return words | changes


@pytest.fixture
def bench(serve, folder):
    """Open a controller; its device, the script's record and a virtual clock."""
    devices, lines = [], []

    def keep(address, line):
        lines.append(connect(address, line))
        return lines[-1]

    def start(script, ending=b"\r", **changes):
        instrument = serve("pty", script, ending)
        clock = VirtualClock()
        devices.append(open_device(section(folder, instrument.address, **changes), clock, keep))
        return devices[-1], instrument, clock

    yield start
    for device, line in zip(devices, lines, strict=False):
        assert line.discard_input() == 0
        device.close()


def sent(instrument, verb):
    return [line for line in instrument.lines if verb in line]


def test_opening_tells_who_is_there_and_how_its_axes_are(bench):
    device, _, _ = bench(PlainController())
    axis = device.axis("spacing", SPACING)
    assert device.identity == "PLAIN-MOTION 1.2 SN 0417"
    assert axis.name == "spacing"
    assert list(device.notes) == ["dialect plain-motion", "axis spacing (1): referenced"]


@pytest.mark.parametrize(
    ("answer", "error", "told"),
    [
        ([b"ID OTHER-MOTION 2.0\r\n"], WrongIdentity, "PLAIN-MOTION.*OTHER-MOTION"),
        ([b"SOMETHING ELSE\r\n"], WrongIdentity, "PLAIN-MOTION.*SOMETHING ELSE"),
        ([], NoReply, "silent"),
        ([b"ID PLAIN"], NoReply, "end of a message"),
    ],
)
def test_wrong_or_silent_controller_is_refused_and_let_go(serve, folder, answer, error, told):
    instrument = serve("pty", lambda line: iter(answer), b"\r")
    words = section(folder, instrument.address)
    with pytest.raises(error, match=told):
        open_device(words, RealClock(), connect)
    connect(instrument.address, Line(RealClock())).close()


def test_second_driver_on_the_port_is_refused(bench, folder):
    _, instrument, clock = bench(PlainController())
    with pytest.raises(Busy, match="this program itself"):
        open_device(section(folder, instrument.address), clock, connect)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"dialect": "none.yaml"}, r"none\.yaml cannot be read"),
        ({"dialect": 7}, "dialect is 7"),
        ({"baud": "fast"}, "baud is 'fast'"),
        ({"parity": "even"}, "parity is not a key"),
        ({"identity": ""}, "identity is ''"),
    ],
)
def test_section_that_cannot_be_used_is_refused_before_anything_opens(folder, changes, told):
    def opens_nothing(address, line):
        raise AssertionError(f"{address} was opened")

    with pytest.raises(BenchFileError, match=told):
        open_device(section(folder, "/dev/null", **changes), VirtualClock(), opens_nothing)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (SPACING | {"channel": 0}, r"axes\.spacing\.channel is 0"),
        (SPACING | {"channel": 8}, r"axes\.spacing\.channel 8: .*no such axis"),
        (SPACING | {"direction": 2}, r"axes\.spacing\.direction is 2"),
        (SPACING | {"units_per_mm": -1}, r"axes\.spacing\.units_per_mm is -1"),
        (SPACING | {"units_per_mrad": 1}, r"axes\.spacing\.units_per_mrad does not fit"),
    ],
)
def test_axis_that_cannot_be_used_is_refused(bench, words, told):
    device, _, _ = bench(PlainController())
    with pytest.raises(BenchFileError, match=told):
        device.axis("spacing", words)


def test_positions_and_targets_cross_the_wire_in_controller_units(bench):
    device, instrument, _ = bench(PlainController())
    spacing, yaw = device.axis("spacing", SPACING), device.axis("yaw", YAW)
    assert spacing.position() == 0.01
    spacing.start_move(0.0123456)
    yaw.start_move(-0.0025)
    assert sent(instrument, b"MA") == [b"1 MA 12.34560", b"3 MA -2.50000"]
    assert spacing.position() == pytest.approx(0.0123456, abs=1e-12)
    assert yaw.position() == -0.0025


def test_axis_that_counts_the_other_way_in_other_units(bench):
    device, instrument, _ = bench(PlainController())
    axis = device.axis("spacing", SPACING | {"direction": -1, "units_per_mm": 2})
    axis.start_move(-0.0015)
    assert sent(instrument, b"MA") == [b"1 MA 3.00000"]
    assert axis.position() == -0.0015
    assert axis.limits() == (-0.025, 0.0)


def test_target_that_is_no_number_is_never_sent(bench):
    device, instrument, _ = bench(PlainController())
    axis = device.axis("spacing", SPACING)
    with pytest.raises(LimitError, match="nan"):
        axis.start_move(float("nan"))
    assert sent(instrument, b"MA") == []


def test_move_that_is_refused_twice_is_meant(bench):
    device, instrument, _ = bench(PlainController())
    axis = device.axis("spacing", SPACING)
    with pytest.raises(Refused, match="beyond its travel"):
        axis.start_move(0.060)
    assert sent(instrument, b"MA") == 2 * [b"1 MA 60.00000"]


def test_move_that_is_refused_for_another_reason_the_second_time_tells_the_first_as_well(bench):
    controller = PlainController()
    controller.trouble["# MA #"] = [[b"1 ER 6 FAULT\r\n"], [b"1 ER 4 BUSY\r\n"]]
    device, instrument, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    with pytest.raises(Refused, match=r"in fault.*sent once more.*still moving"):
        axis.start_move(0.020)
    assert sent(instrument, b"MA") == 2 * [b"1 MA 20.00000"]


def test_move_that_is_refused_twice_for_one_reason_tells_it_once(bench):
    controller = PlainController()
    controller.trouble["# MA #"] = 2 * [[b"1 ER 6 FAULT\r\n"]]
    device, _, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    with pytest.raises(Refused) as refused:
        axis.start_move(0.020)
    assert str(refused.value).count("in fault") == 1
    assert "once more" not in str(refused.value)


@pytest.mark.parametrize("reply", [[], [b"1 O"], [b"1 \xff\r\n"]])
def test_move_whose_acknowledgement_is_lost_is_not_sent_again(bench, reply):
    controller = PlainController()
    controller.trouble["# MA #"] = [reply]
    device, instrument, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.start_move(0.020)
    assert sent(instrument, b"MA") == [b"1 MA 20.00000"]
    assert axis.position() == 0.020


def test_move_under_way_without_acknowledgement_is_not_sent_again(bench):
    controller = PlainController()
    controller.deaf_to_moves = 1
    controller.status[1] = "11"
    controller.trouble["# MA #"] = [[]]
    device, instrument, _ = bench(controller)
    device.axis("spacing", SPACING).start_move(0.020)
    assert sent(instrument, b"MA") == [b"1 MA 20.00000"]


def test_move_that_never_arrived_is_sent_again_once_the_axis_is_seen_to_stand(bench):
    controller = PlainController()
    controller.deaf_to_moves = 1
    controller.trouble["# MA #"] = [[]]
    device, instrument, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.start_move(0.020)
    assert sent(instrument, b"MA") == [b"1 MA 20.00000"] * 2
    between = instrument.lines[instrument.lines.index(b"1 MA 20.00000") : -1]
    assert b"1 ST?" in between
    assert b"1 PO?" in between


def test_move_to_a_dead_controller_ends_as_no_reply(bench):
    controller = PlainController()
    device, instrument, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.position()
    controller.trouble.update({key: [[]] * 99 for key in ("# MA #", "# ST?", "ID?")})
    with pytest.raises(NoReply):
        axis.start_move(0.020)
    assert len(sent(instrument, b"MA")) == 1


def test_moving_bit_is_not_believed_until_it_can_be(bench):
    controller = PlainController()
    device, _, clock = bench(controller)
    axis = device.axis("spacing", SPACING)
    assert not axis.moving()
    axis.start_move(0.020)
    assert axis.moving()
    clock.sleep(0.019)
    assert axis.moving()
    clock.sleep(0.002)
    assert not axis.moving()


def test_motion_that_was_seen_and_ended_is_over_at_once(bench):
    controller = PlainController()
    device, _, clock = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.start_move(0.020)
    controller.status[1] = "11"
    assert axis.moving()
    controller.status[1] = "10"
    assert not axis.moving()
    clock.sleep(10.0)
    assert not axis.moving()


@pytest.mark.parametrize(
    ("bits", "target", "told"),
    [
        ("18", 0.020, "fault"),
        ("14", 0.020, "high limit switch"),
        ("12", 0.005, "low limit switch"),
    ],
)
def test_fault_or_limit_switch_ends_the_motion_as_refused(bench, bits, target, told):
    controller = PlainController()
    device, _, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.start_move(target)
    controller.status[1] = bits
    with pytest.raises(Refused, match=told):
        axis.moving()


def test_limit_switch_that_the_axis_is_leaving_is_no_reason_to_stop(bench):
    controller = PlainController()
    controller.status[1] = "12"
    device, _, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.start_move(0.020)
    assert axis.moving()


def test_power_cycle_shows_as_a_lost_reference(bench):
    controller = PlainController()
    device, _, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    assert axis.referenced()
    controller.status[1] = "00"
    assert not axis.referenced()
    with pytest.raises(Refused, match="lost its reference"):
        axis.moving()


def test_homing_may_clear_the_reference_and_find_it_again(bench):
    controller = PlainController()
    device, instrument, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.home()
    controller.status[1] = "01"
    assert axis.moving()
    controller.status[1] = "10"
    assert not axis.moving()
    assert sent(instrument, b"HO") == [b"1 HO"]


def test_stop_is_the_next_thing_sent_and_forgets_the_move(bench):
    controller = PlainController()
    device, instrument, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.start_move(0.020)
    axis.stop()
    assert instrument.lines[-2:] == [b"1 MA 20.00000", b"1 SP"]
    assert not axis.moving()


def test_stop_that_is_not_confirmed_stops_every_axis(bench):
    controller = PlainController()
    controller.trouble["# SP"] = [[]]
    device, instrument, _ = bench(controller)
    device.axis("spacing", SPACING).stop()
    assert [line for line in instrument.lines if b"SP" in line] == [b"1 SP", b"0 SP", b"1 SP"]


def test_shutter_is_confirmed_by_the_output_it_drives(bench):
    controller = PlainController()
    device, _, _ = bench(controller)
    shutter = device.shutter({"device": "motion", "channel": 1})
    shutter.close()
    assert controller.output == "0"
    shutter.open()
    assert controller.output == "1"
    controller.trouble["# OU #"] = [[b"1 OK\r\n"]]
    controller.trouble["# OU?"] = [[b"1 OU 1\r\n"]]
    with pytest.raises(Refused, match="reads back 1"):
        shutter.close()


def test_controller_that_goes_away_is_disconnected(serve, folder, hang_up):
    controller = PlainController()
    instrument = serve("pty", controller, b"\r")
    device = open_device(section(folder, instrument.address), RealClock(), connect)
    axis = device.axis("spacing", SPACING)
    controller.trouble["# PO?"] = [[hang_up]]
    with pytest.raises(Disconnected):
        axis.position()
    device.close()
    device.close()


def test_motion_controller_measures_no_power(bench):
    device, _, _ = bench(PlainController())
    with pytest.raises(BenchFileError, match="motion controller"):
        device.power_meter("power_meter", {"channel": 1})


def checked(text: str) -> bytes:
    checksum = 0
    for byte in text.encode():
        checksum ^= byte
    return f"{text}*{checksum:02X}".encode()


def test_dialect_with_echo_and_checksum(bench):
    where = {"1": "1.500000"}
    noise = [True]

    def controller(line):
        yield line + b"\r"
        assert line == checked(line[:-3].decode())
        number, verb, *rest = line[1:-3].decode().split()
        answer = f"@{number} {verb}"
        if verb == "VERSION":
            answer += " CHECKED-MOTION 3"
        elif verb == "POS":
            answer += f" {where[number]} mm"
        elif verb == "LIMITS":
            answer += " 0.0,50.0"
        elif verb == "STATE":
            answer += " IR"
        elif verb == "GOTO":
            where[number] = rest[0]
            answer += f" {rest[0]}"
        reply = checked(answer)
        if verb == "POS" and noise.pop():
            noise.append(False)
            reply = reply.replace(b"1.5", b"1.7")
        elif verb == "POS":
            noise.append(False)
        yield reply + b"\r\n"

    device, instrument, _ = bench(controller, dialect="checked-motion.yaml", identity="CHECKED")
    axis = device.axis("spacing", SPACING)
    assert axis.position() == 0.0015
    axis.start_move(0.002)
    assert instrument.lines[-1] == checked("#1 GOTO 2.000000")
    assert axis.position() == 0.002
    assert isinstance(axis, ReportsLimits)
    assert axis.limits() == (0.0, 0.05)
    axis.stop()
    assert not axis.moving()
    with pytest.raises(BadReply):
        device.shutter({"channel": 1}).close()


def test_dialect_of_letters_and_steps_that_acknowledges_nothing(bench):
    steps = {"X": 200000, "B": 500000}
    closed_switch = []

    def controller(line):
        text = line.decode()
        if text == "WHO":
            yield b"WHO=STEP-COUNTING 7;\n"
        elif text[0] == "P":
            yield f"P{text[1]}={steps[text[1]]};\n".encode()
        elif text[0] == "S":
            yield f"S{text[1]}=1;\n".encode()
        elif text[0] == "G" and closed_switch:
            yield b"E20;\n"
        elif text[0] == "G":
            steps[text[1]] = int(text[2:])

    device, instrument, _ = bench(
        controller, b";", dialect="step-counting-motion.yaml", identity="STEP-COUNTING"
    )
    spacing, yaw = device.axis("spacing", SPACING), device.axis("yaw", YAW)
    assert spacing.position() == 0.01
    assert yaw.position() == 0.0
    assert not isinstance(spacing, ReportsLimits)
    assert not isinstance(spacing, ReportsReference)
    spacing.start_move(0.0123456)
    yaw.start_move(-0.015)
    assert sent(instrument, b"G") == [b"GX246912", b"GB481250"]
    assert yaw.position() == pytest.approx(-0.015, abs=1e-12)
    spacing.stop()
    assert instrument.lines[-3:] == [b"HX", b"HALT", b"WHO"]
    closed_switch.append(True)
    with pytest.raises(Refused, match="limit switch is closed"):
        spacing.start_move(0.02)
    with pytest.raises(BenchFileError, match="describes no outputs"):
        device.shutter({"channel": 1})
