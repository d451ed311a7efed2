"""The EPICS driver against control systems that nobody here wrote, over real sockets.

- EPICS Base's own server (``python -m epicscorelibs.ioc``), with a database of its standard
  records: an output that slews (OROC) within drive limits, and a power that its calc record
  computes from it, with noise.
- The example motor records and the example beamline of caproto.

Everything stays on the loopback interface, on ports of its own.
"""

from __future__ import annotations

import contextlib
import signal
import sys
from pathlib import Path

import numpy as np
import pytest
from autocell_drivers.epics import open_device
from caproto.sync import client

from autocell.bench.clock import RealClock
from autocell.bench.file import load
from autocell.bench.opening import open_bench
from autocell.bench.protocols import ChecksSection, PowerMeter, ReportsLimits, ReportsReference
from autocell.errors import (
    BenchFileError,
    Disconnected,
    LimitError,
    NoReply,
    Refused,
    WrongIdentity,
)
from tests.bench.conftest import MemoryJournal
from tests.drivers.other_programs import (
    Server,
    beamline_bench,
    epics_base,
    example_beamline,
    free_port,
    looking_at,
)

pytestmark = pytest.mark.thorough

CLOCK = RealClock()
OUTPUTS = {"m1:target": {"readback": "m1:rbv"}}
SPACING = {"device": "bog", "channel": "m1:target", "limits_mm": [0, 50], "repeatability_mm": 0.001}
MOTOR = {"device": "sim", "channel": "mtr1", "limits_mm": [0, 10], "units_per_mm": 1.0}
RECORD = {"device": "bog", "channel": "m", "limits_mm": [0, 0.01], "repeatability_mm": 1e-5}
METER = {"device": "bog", "channel": "power", "range_mw": 5, "averaging_ms": 100}


SYSTEMS = {
    "base": {"address": "BOG:", "identity": "BOG-IOC", "identity_pv": "NAME", "outputs": OUTPUTS},
    "mortal": {"address": "FEN:", "identity": "BOG-IOC", "identity_pv": "NAME", "outputs": OUTPUTS},
    "caproto": {"address": "sim:", "identity": "motor", "identity_pv": "mtr1.RTYP"},
    "record": {"address": "bog2:", "identity": "BOG", "identity_pv": "NAME"},
    "beamline": {"address": "mini:", "identity": "ai", "identity_pv": "ph:mtr.RTYP"},
}


@pytest.fixture(scope="module", autouse=True)
def ports():
    """A port for each server; clients look there and nowhere else."""
    found = {name: free_port() for name in SYSTEMS}
    with looking_at(found.values()):
        yield found


@pytest.fixture(scope="module")
def base_server(ports):
    server = epics_base("BOG:", ports["base"])
    yield server
    server.stop()


@pytest.fixture(scope="module")
def motor_server(ports):
    module = "caproto.ioc_examples.fake_motor_record"
    command = ["-m", module, "--interfaces=127.0.0.1", "--prefix=sim:", "--quiet"]
    server = Server(command, ports["caproto"])
    yield server
    server.stop()


@pytest.fixture(scope="module")
def beamline_server(ports):
    server = example_beamline(ports["beamline"])
    yield server
    server.stop()


@pytest.fixture(scope="module")
def record_server(ports):
    program = str(Path(__file__).with_name("motor_ioc.py"))
    server = Server([program, "--interfaces=127.0.0.1", "--quiet"], ports["record"])
    yield server
    server.stop()


def open_system(which, **changes):
    """Open a system that may still be starting."""
    words = {"driver": "epics", "path": ".", **SYSTEMS[which], **changes}
    deadline = CLOCK.now() + 30.0
    while True:
        try:
            return open_device(words, CLOCK, None)
        except Disconnected:
            assert CLOCK.now() < deadline


@pytest.fixture(scope="module")
def bog(base_server):
    device = open_system("base")
    yield device
    device.close()
    device.close()


@pytest.fixture(scope="module")
def motors(motor_server):
    device = open_system("caproto")
    yield device
    device.close()


@pytest.fixture(scope="module")
def record(record_server):
    device = open_system("record")
    yield device
    device.close()


@pytest.fixture
def mortal(ports):
    """A server to be killed, and what opens it."""
    server = epics_base("FEN:", ports["mortal"])
    devices = []

    def opened(**changes):
        devices.append(open_system("mortal", **changes))
        return devices[-1]

    yield server, opened
    server.stop()
    for device in devices:
        device.close()


def write(name, value):
    """As somebody else at the control system would."""
    client.write(name, value, notify=True, repeater=False, timeout=5.0)


def read(name):
    """What somebody else would see."""
    return client.read(name, repeater=False, timeout=5.0).data[0]


def wait_until_rest(axis, patience_s=60.0):
    deadline = CLOCK.now() + patience_s
    while axis.moving():
        assert CLOCK.now() < deadline
        CLOCK.sleep(0.02)


def go(axis, target):
    axis.start_move(target)
    wait_until_rest(axis)


def test_output_of_epics_base_slews_to_where_it_was_sent_and_no_further(bog):
    axis = bog.axis("spacing", SPACING)
    assert bog.identity == "BOG-IOC 7"
    assert isinstance(axis, ReportsLimits)
    assert axis.limits() == pytest.approx((0.0, 50e-3))
    target = 12e-3 if axis.position() < 11e-3 else 10e-3
    axis.start_move(target)
    assert axis.moving()
    wait_until_rest(axis)
    assert axis.position() == pytest.approx(target, abs=3e-6)


def test_stop_ends_a_slew_on_its_way(bog):
    axis = bog.axis("spacing", SPACING)
    start = axis.position()
    axis.start_move(45e-3)
    CLOCK.sleep(0.5)
    axis.stop()
    wait_until_rest(axis)
    at = axis.position()
    assert start < at < 44e-3
    CLOCK.sleep(0.3)
    assert axis.position() == at


def test_target_beyond_the_drive_limits_is_refused_and_never_clipped(bog):
    axis = bog.axis("spacing", SPACING)
    at = axis.position()
    for target in (51e-3, -1e-3, float("nan")):
        with pytest.raises(LimitError):
            axis.start_move(target)
    assert not axis.moving()
    assert axis.position() == at


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


def test_reading_was_processed_after_it_was_asked_for(bog):
    axis, meter = bog.axis("spacing", SPACING), bog.power_meter("power_meter", METER)
    go(axis, 20e-3)
    lit = meter.read().power_w
    go(axis, 12e-3)
    assert meter.read().power_w < 0.1 * lit
    readings = [meter.read().power_w for _ in range(4)]
    assert len(set(readings)) == 4


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


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (SPACING | {"channel": "nobody"}, "nobody"),
        (SPACING | {"direction": 0}, "direction"),
        ({**SPACING, "limits_mrad": [0, 1], "channel": "m1:target"}, None),
    ],
)
def test_axis_that_cannot_be_used_is_refused(bog, words, told):
    if told is None:
        del words["limits_mm"]
        told = "units_per_mrad"
    with pytest.raises(BenchFileError, match=told):
        bog.axis("spacing", words)


def test_section_is_checked_before_anything_is_searched():
    assert isinstance(open_device, ChecksSection)
    good = {"driver": "epics", "address": "X:", "identity": "X", "identity_pv": "NAME"}
    open_device.check(good)
    for wrong, told in (
        ({"identity_pv": None}, "identity_pv"),
        ({"baud": 1}, "baud"),
        ({"outputs": []}, "outputs"),
        ({"outputs": {"a": {"moving": "b"}}}, "readback"),
        ({"outputs": {"a": {"readback": "b", "speed": "c"}}}, "speed"),
        ({"outputs": {"a": "b"}}, "outputs.a"),
        ({"outputs": {"a": {"readback": "b", "stride": 0}}}, "stride"),
        ({"outputs": {"a": {"readback": "b", "no_drive_limits": 1}}}, "true or false"),
        ({"units": ["mm"]}, "units"),
        ({"units": {"a": 1}}, "units.a"),
    ):
        with pytest.raises(BenchFileError, match=told):
            open_device.check(good | wrong)


def test_missing_client_library_is_told_with_its_cure(monkeypatch):
    monkeypatch.setitem(sys.modules, "caproto.threading.client", None)
    with pytest.raises(BenchFileError, match=r"autocell\[epics\]"):
        open_device({"driver": "epics", **SYSTEMS["base"]}, CLOCK, None)


def test_identity_that_is_another_is_refused(bog):
    with pytest.raises(WrongIdentity, match="BOG-IOC 7"):
        open_system("base", identity="FEN-IOC")


def test_server_that_dies_is_noticed_and_one_that_comes_back_is_believed_again(mortal):
    server, opened = mortal
    device = opened(reconnect_s=20)
    axis = device.axis("spacing", SPACING)
    go(axis, 15e-3)
    server.kill()
    with pytest.raises(Disconnected):
        axis.stop()
    server.start()
    assert axis.position() == pytest.approx(10e-3, abs=1e-4)  # it starts where bog.db says
    assert "is back" in device.notes[-1]
    go(axis, 11e-3)


def test_server_that_stays_away_is_disconnected_and_another_in_its_place_never_spoken_to(mortal):
    server, opened = mortal
    device = opened(reconnect_s=0.3)
    axis = device.axis("spacing", SPACING)
    server.kill()
    with pytest.raises(Disconnected, match="not come back"):
        axis.position()
    with pytest.raises(Disconnected):
        axis.start_move(11e-3)
    server.start(name="FEN-IOC 3")
    with pytest.raises(WrongIdentity, match="FEN-IOC 3"):
        insist(axis.position)
    with pytest.raises(WrongIdentity):
        axis.start_move(11e-3)
    with pytest.raises(WrongIdentity):
        axis.stop()


def insist(ask, patience_s=20.0):
    """Ask until somebody is there."""
    deadline = CLOCK.now() + patience_s
    while CLOCK.now() < deadline:
        with contextlib.suppress(Disconnected):
            return ask()
    raise AssertionError("nobody came")


def test_motor_record_moves_and_is_not_believed_idle_before_it_moved(motors):
    axis = motors.axis("spacing", MOTOR)
    start = axis.position()
    target = 1.5e-3 if start < 1e-3 else 0.5e-3
    axis.start_move(target)
    assert axis.moving()
    wait_until_rest(axis)
    assert axis.position() == pytest.approx(target, abs=1e-6)
    assert axis.limits() == pytest.approx((0.0, 10e-3))


def test_motor_record_stops_on_its_way(motors):
    axis = motors.axis("spacing", MOTOR)
    go(axis, 0.5e-3)
    axis.start_move(9e-3)
    CLOCK.sleep(0.6)
    axis.stop()
    wait_until_rest(axis)
    at = axis.position()
    assert 0.5e-3 < at < 8e-3
    CLOCK.sleep(0.4)
    assert axis.position() == at
    axis.stop()


def test_motor_record_beyond_its_limits_or_paused_is_refused(motors):
    axis = motors.axis("spacing", MOTOR)
    with pytest.raises(LimitError, match="0 to 10"):
        axis.start_move(11e-3)
    write("sim:mtr1.SPMG", 0)
    with pytest.raises(Refused, match="SPMG"):
        axis.start_move(9e-3)
    write("sim:mtr1.SPMG", 3)
    assert not axis.moving()


@pytest.mark.parametrize(
    ("field", "value", "told"),
    [
        ("SPMG", 1, "SPMG"),
        ("SET", 1, "calibration"),
        ("LLS", 1, "low limit switch"),
        ("HLS", 1, "high limit switch"),
        ("MSTA", 1 << 9, "problem"),
        ("MSTA", 1 << 12, "reach"),
        ("DMOV", 0, "still moving"),
        ("HLM", -1.0, "lost its limits"),
    ],
)
def test_motor_record_that_is_not_well_is_sent_nowhere(record, field, value, told):
    axis = record.axis("spacing", RECORD)
    position = axis.position()
    assert position == pytest.approx(5e-6)  # its unit is um
    before = read(f"bog2:m.{field}")
    write(f"bog2:m.{field}", value)
    try:
        with pytest.raises(Refused, match=told):
            axis.start_move(position + (1e-6 if field != "LLS" else -1e-6))
        assert read("bog2:m") == 5.0
    finally:
        write(f"bog2:m.{field}", before)


def test_stop_is_sent_to_a_server_that_does_not_answer(record_server, record):
    record_axis = record.axis("spacing", RECORD)
    output = open_system("record", outputs={"m": {"readback": "m.RBV", "stop": "m.HLS"}})
    output_axis = output.axis("spacing", RECORD | {"units_per_mm": 1e3})
    record_server.process.send_signal(signal.SIGSTOP)
    try:
        record_axis.send_stop()
        output_axis.send_stop()
    finally:
        record_server.process.send_signal(signal.SIGCONT)
    record_axis.position()  # it goes on
    output_axis.position()
    assert read("bog2:m.STOP") == read("bog2:m.HLS") == 1
    for field in ("STOP", "HLS"):
        write(f"bog2:m.{field}", 0)
    output_axis.stop()
    assert read("bog2:m.HLS") == 1
    write("bog2:m.HLS", 0)
    output.close()


def test_limit_switch_that_is_being_left_does_not_keep_the_axis_there(record):
    axis = record.axis("spacing", RECORD)
    write("bog2:m.LLS", 1)
    axis.start_move(6e-6)
    assert axis.moving()
    write("bog2:m.DMOV", 0)
    assert axis.moving()
    write("bog2:m.RBV", 6.0)
    assert axis.moving()
    write("bog2:m.DMOV", 1)
    assert not axis.moving()
    for name, value in (("LLS", 0), ("RBV", 5.0)):
        write(f"bog2:m.{name}", value)
    write("bog2:m", 5.0)


def test_motor_record_tells_its_reference_once_it_has_been_homed(record):
    assert not isinstance(record.axis("spacing", RECORD), ReportsReference)
    write("bog2:m.MSTA", 1 << 14)
    axis = record.axis("spacing", RECORD)
    assert isinstance(axis, ReportsReference)
    assert axis.referenced()
    write("bog2:m.MSTA", 0)
    assert not axis.referenced()


def test_motor_record_without_limits_or_unit_is_refused(motors, record):
    with pytest.raises(BenchFileError, match="EGU"):
        motors.axis("spacing", {key: MOTOR[key] for key in MOTOR if key != "units_per_mm"})
    write("bog2:m.BDST", 0.02)
    record.axis("spacing", RECORD)
    assert "backlash itself" in record.notes[-1]
    write("bog2:m.BDST", 0.0)
    write("bog2:m.HLM", 0.0)
    with pytest.raises(BenchFileError, match="LLM and HLM"):
        record.axis("spacing", RECORD)
    write("bog2:m.HLM", 10.0)


def test_example_beamline_is_refused_for_what_it_does_not_tell(beamline_server):
    """Its detector has no unit, and its motor no limits: neither is guessed."""
    outputs = {"ph:mtr": {"readback": "ph:mtr"}}
    device = open_system("beamline", outputs=outputs)
    try:
        with pytest.raises(BenchFileError, match="EGU"):
            device.power_meter("power_meter", METER | {"channel": "ph:det"})
        axis = device.axis("spacing", MOTOR | {"channel": "ph:mtr"})
        with pytest.raises(Refused, match="no drive limits"):
            axis.start_move(1e-3)
        assert not axis.moving()
    finally:
        device.close()


@pytest.fixture
def pinhole(beamline_server, tmp_path):
    """A bench file for the pinhole of the example beamline and the motor that moves it."""
    return load(beamline_bench(tmp_path))


@pytest.fixture
def pinhole_axis(pinhole, beamline_server):
    section = pinhole.devices["beamline"].section
    device = open_system("beamline", outputs=section["outputs"], units=section["units"])
    yield device.axis("spacing", pinhole.axes["spacing"].section)
    device.close()


def test_power_of_the_example_beamline_is_maximised_behind_guard_and_journal(pinhole):
    """Its motor knows neither limits nor a stop, and its beam comes and goes by a twentieth."""
    journal = MemoryJournal()
    with open_bench(pinhole, clock=CLOCK, journal=journal) as bench:
        bench.vouch_for(["spacing"])
        with pytest.raises(LimitError):
            bench.move_axes({"spacing": 9e-3}, "beyond the bench file")
        places = [4e-3, 2e-3, 0.0, -2e-3, -4e-3]
        readings = [power_at(bench, place) for place in places]
        curvature, slope, _ = np.polyfit(places, np.log(readings), 2)
        best = -slope / (2.0 * curvature)
        top = power_at(bench, best)
    # exp(-x²/50) about 0, by the source of that server: 0.1 mW there, twentieths of it less or more
    assert best == pytest.approx(0.0, abs=0.7e-3)
    assert top == pytest.approx(100e-6, rel=0.1)
    assert top > max(readings[0], readings[-1])
    assert [target for _, _, target, _ in journal.moves] == pytest.approx([*places, best])
    assert {outcome for _, outcome in journal.endings.values()} == {"arrived"}
    assert len(journal.endings) == len(places) + 1
    assert len(journal.readings) == len(places) + 1


def power_at(bench, place):
    bench.move_axes({"spacing": place}, "look for the most power")
    return bench.read_power("how much is there", relative_uncertainty=0.03).power_w


def test_axis_that_cannot_be_stopped_goes_no_further_than_its_stride(pinhole_axis):
    axis = pinhole_axis
    assert not isinstance(axis, ReportsLimits)
    start = axis.position()
    far = -7e-3 if start > 0.0 else 7e-3
    axis.start_move(far)
    asked = CLOCK.now()
    while abs(axis.position() - start) < 0.7e-3:
        assert axis.moving()
        assert CLOCK.now() < asked + 60.0
        CLOCK.sleep(0.02)
    axis.stop()
    at = axis.position()
    wait_until_rest(axis)
    CLOCK.sleep(0.5)
    assert not axis.moving()
    assert abs(axis.position() - at) <= 0.31e-3
    assert abs(axis.position() - start) < 3e-3


def test_limits_of_the_bench_file_bind_where_the_record_has_none(pinhole_axis):
    at = pinhole_axis.position()
    for target in (8.1e-3, -8.1e-3, float("inf")):
        with pytest.raises(LimitError, match="of the bench file, -8 to 8"):
            pinhole_axis.start_move(target)
    CLOCK.sleep(0.3)
    assert pinhole_axis.position() == at


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"outputs": {"m1:target": {"readback": "m1:rbv", "no_drive_limits": True}}}, "0 to 50"),
        ({"units": {"m1:target": "um"}}, r"EGU\) is 'mm'.*'um'"),
    ],
)
def test_what_the_bench_file_says_of_a_record_that_says_otherwise_is_refused(
    base_server, changes, told
):
    device = open_system("base", **changes)
    try:
        with pytest.raises(BenchFileError, match=told):
            device.axis("spacing", SPACING)
    finally:
        device.close()


def test_output_is_led_in_strides_to_the_same_place(base_server):
    device = open_system("base", outputs={"m1:target": {"readback": "m1:rbv", "stride": 0.4}})
    try:
        axis = device.axis("spacing", SPACING)
        start = axis.position()
        target = start + (1e-3 if start < 25e-3 else -1e-3)
        axis.start_move(target)
        assert read("BOG:m1:target") == pytest.approx(
            start * 1e3 + (0.4 if target > start else -0.4)
        )
        wait_until_rest(axis)
        assert axis.position() == pytest.approx(target, abs=3e-6)
    finally:
        device.close()
