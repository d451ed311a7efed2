"""Somebody's own Python, and devices of another library, as axes and meters.

The bluesky protocols are tried with the simulated devices of ophyd (BSD licence), which nobody here
wrote.
"""

from __future__ import annotations

import itertools
import math
import threading
import time

import pytest
from autocell_drivers import bluesky_object
from autocell_drivers.python_object import (
    AxisFunctions,
    Instrument,
    MeterFunctions,
    ShutterFunctions,
    open_device,
)
from ophyd.positioner import SoftPositioner
from ophyd.sim import SynAxis, SynSignal
from ophyd.status import Status

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.metering import Metering
from autocell.bench.opening import open_bench
from autocell.bench.protocols import ChecksSection, PowerMeter, ReportsLimits
from autocell.description import MeterDescription
from autocell.errors import (
    BadReply,
    BenchFileError,
    Disconnected,
    LimitError,
    NoReply,
    ReadingError,
    Refused,
    WrongIdentity,
)

CLOCK = RealClock()
SPACING = {"device": "stage", "channel": 1, "limits_mm": [0, 50], "repeatability_mm": 0.001}
PITCH = {"device": "stage", "channel": 1, "limits_mrad": [-15, 15], "repeatability_mrad": 0.01}
METER = {"device": "stage", "range_mw": 10, "averaging_ms": 50}


class Screw:
    """An axis as a laboratory's own library may have it: in its units, and blocking."""

    def __init__(self):
        self.at = 10.0
        self.halted = threading.Event()
        self.moves = []

    def position(self):
        return self.at

    def move_and_wait(self, target):
        self.moves.append(target)
        self.halted.clear()
        while self.at != target and not self.halted.wait(0.005):
            self.at += max(-0.05, min(0.05, target - self.at))
        if self.halted.is_set():
            raise RuntimeError("interrupted")

    def stop(self):
        self.halted.set()


class Lab:
    """Opens instruments that a module gives, and closes them in the end."""

    def __init__(self, folder):
        self.folder = folder
        self.devices = []

    def open(self, instrument, **changes):
        path = self.folder / f"lab{len(self.devices)}.py"
        path.write_text("instrument = None\ndef open_it():\n    return instrument\n", "utf-8")
        from autocell_drivers import python_object

        python_object._load(path.name, str(self.folder)).instrument = instrument
        section = {
            "driver": "python-object",
            "address": f"{path.name}:open_it",
            "identity": "LAB",
            "path": str(self.folder),
        }
        self.devices.append(open_device(section | changes, CLOCK, None))
        return self.devices[-1]

    def axis(self, functions, section=SPACING, **changes):
        return self.open(Instrument("LAB 1", axes={1: functions}), **changes).axis("a", section)

    def meter(self, functions):
        device = self.open(Instrument("LAB 1", meters={1: functions}))
        return device.power_meter("power_meter", METER)


@pytest.fixture
def lab(tmp_path):
    opened = Lab(tmp_path)
    yield opened
    for device in opened.devices:
        device.close()
        device.close()


def wait_until_rest(axis, patience_s=10.0):
    deadline = CLOCK.now() + patience_s
    while axis.moving():
        assert CLOCK.now() < deadline
        CLOCK.sleep(0.01)


def test_move_that_blocks_leaves_the_bench_free_and_can_be_stopped(lab):
    screw = Screw()
    axis = lab.axis(AxisFunctions(screw.position, screw.move_and_wait, screw.stop))
    assert axis.position() == pytest.approx(10e-3)
    axis.start_move(40e-3)
    assert axis.moving()
    assert 10e-3 <= axis.position() < 40e-3
    with pytest.raises(Refused, match="not returned"):
        axis.start_move(20e-3)
    axis.stop()
    wait_until_rest(axis)
    assert 10e-3 <= axis.position() < 39e-3
    axis.start_move(9e-3)
    wait_until_rest(axis)
    assert axis.position() == pytest.approx(9e-3)
    assert screw.moves == [40.0, 9.0]


def test_move_that_returns_at_once_is_watched_until_the_axis_rests(lab):
    screw = Screw()

    def move(target):
        threading.Thread(target=screw.move_and_wait, args=(target,), daemon=True).start()

    axis = lab.axis(AxisFunctions(screw.position, move, screw.stop))
    axis.start_move(13e-3)
    assert axis.moving()
    wait_until_rest(axis)
    assert axis.position() == pytest.approx(13e-3)


def test_units_and_direction_are_those_of_the_functions_and_the_bench_file(lab):
    screw = Screw()
    told = AxisFunctions(
        lambda: 1.0, screw.moves.append, screw.stop, lambda: False, lambda: (-2.0, 5.0), unit="deg"
    )
    axis = lab.axis(told, PITCH | {"direction": -1})
    assert axis.position() == pytest.approx(-math.radians(1.0))
    axis.start_move(math.radians(0.5))
    assert screw.moves == [pytest.approx(-0.5)]
    assert isinstance(axis, ReportsLimits)
    assert axis.limits() == pytest.approx((-math.radians(5.0), math.radians(2.0)))
    assert not axis.moving()


@pytest.mark.parametrize(
    ("raised", "ours"),
    [
        (RuntimeError("the motor is hot"), Refused),
        (TimeoutError("no answer"), NoReply),
        (ConnectionResetError("cable"), Disconnected),
        (KeyboardInterrupt(), Refused),
    ],
)
def test_errors_of_the_functions_become_ours_and_keep_their_words(lab, raised, ours):
    def fail(*_):
        raise raised

    axis = lab.axis(AxisFunctions(fail, fail, fail))
    for call in (axis.position, lambda: axis.start_move(1e-3), axis.stop):
        with pytest.raises(ours, match=str(raised) or type(raised).__name__) as error:
            call()
        assert error.value.__cause__ is raised


def test_stop_that_does_not_return_keeps_no_other_axis_waiting(lab):
    others = threading.Event()
    stuck = AxisFunctions(lambda: 0.0, print, others.wait)
    free = AxisFunctions(lambda: 0.0, print, others.set)
    device = lab.open(Instrument("LAB 1", axes={1: stuck, 2: free}))
    axes = [device.axis(f"a{n}", SPACING | {"channel": n}) for n in (1, 2)]
    for axis in axes:
        axis.send_stop()
    for axis in axes:
        axis.stop()


def test_stop_sent_ahead_is_no_stop_of_a_later_move(lab):
    stops = []
    axis = lab.axis(AxisFunctions(lambda: 0.0, print, lambda: stops.append(1), lambda: False))
    axis.send_stop()
    axis.start_move(1e-3)
    axis.stop()
    assert stops == [1, 1]
    axis.send_stop()
    axis.stop()
    assert stops == [1, 1, 1]


def test_function_that_hangs_is_no_reply_and_stop_does_not_wait_for_it(lab):
    hangs, stopped = threading.Event(), []
    axis = lab.axis(
        AxisFunctions(hangs.wait, lambda _: None, lambda: stopped.append(1), lambda: True),
        call_s=0.1,
    )
    with pytest.raises(NoReply, match="position"):
        axis.position()
    with pytest.raises(NoReply, match="moving"):
        axis.moving()
    axis.stop()
    assert stopped == [1]
    hangs.set()
    with pytest.raises(BadReply, match="no number"):
        lab.axis(AxisFunctions(lambda: None, print, print)).position()


@pytest.mark.parametrize("answer", [math.nan, math.inf, "here", None])
def test_position_that_is_no_number_is_a_bad_reply(lab, answer):
    with pytest.raises(BadReply, match="number"):
        lab.axis(AxisFunctions(lambda: answer, print, print)).position()
    with pytest.raises(LimitError):
        lab.axis(AxisFunctions(lambda: 0.0, print, print)).start_move(math.nan)


def test_meter_reads_in_its_unit_and_is_never_trusted_beyond_its_range(lab):
    powers = iter([2.5, math.nan, 10.5, "dark"])
    meter = lab.meter(MeterFunctions(lambda: next(powers), unit="mW"))
    assert isinstance(meter, PowerMeter)
    assert meter.reading_time_s == pytest.approx(0.05)
    assert meter.read().power_w == pytest.approx(2.5e-3)
    assert [meter.read().overrange for _ in range(2)] == [True, True]
    with pytest.raises(BadReply, match="dark"):
        meter.read()


def test_shutter_is_worked_by_its_functions(lab):
    worked = []
    functions = ShutterFunctions(lambda: worked.append("closed"), lambda: worked.append("open"))
    shutter = lab.open(Instrument("LAB", shutters={"s": functions})).shutter({"channel": "s"})
    shutter.close()
    shutter.open()
    assert worked == ["closed", "open"]


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"address": "nowhere.py:open_it"}, "nowhere.py"),
        ({"address": "lab"}, "file.py:function"),
        ({"address": "no_such_package.module:open_it"}, "no_such_package"),
        ({"address": "lab.py:missing"}, "missing"),
        ({"address": "lab.py:number"}, "no function"),
        ({"address": "lab.py:wrong"}, "int"),
        ({"baud": 9600}, "baud"),
        ({"call_s": 0}, "call_s"),
    ],
)
def test_section_that_cannot_be_used_is_refused(tmp_path, changes, told):
    (tmp_path / "lab.py").write_text("number = 5\ndef wrong():\n    return 5\n", "utf-8")
    section = {"driver": "python-object", "address": "lab.py:wrong", "identity": "LAB"}
    with pytest.raises(BenchFileError, match=told):
        open_device({**section, "path": str(tmp_path), **changes}, CLOCK, None)


def test_driver_is_checked_before_anything_is_opened(tmp_path):
    (tmp_path / "lab2.py").write_text("def open_it():\n    raise RuntimeError('opened')\n", "utf-8")
    section = {
        "driver": "python-object",
        "address": "lab2.py:open_it",
        "identity": "LAB",
        "path": str(tmp_path),
    }
    assert isinstance(open_device, ChecksSection)
    open_device.check(section)
    with pytest.raises(Refused, match="opened"):
        open_device(section, CLOCK, None)


def test_what_does_not_fit_is_told_with_its_place(lab):
    with pytest.raises(WrongIdentity, match="OTHER"):
        lab.open(Instrument("OTHER"))
    screw = Screw()
    functions = AxisFunctions(screw.position, screw.move_and_wait, screw.stop)
    device = lab.open(Instrument("LAB", axes={1: functions}))
    with pytest.raises(BenchFileError, match=r"axes\.pitch.*angular"):
        device.axis("pitch", PITCH)
    with pytest.raises(BenchFileError, match=r"axes\.spacing\.channel is 2"):
        device.axis("spacing", SPACING | {"channel": 2})
    with pytest.raises(BenchFileError, match="units_per_mm"):
        device.axis("spacing", SPACING | {"units_per_mm": 3})
    with pytest.raises(BenchFileError, match="channel"):
        device.power_meter("power_meter", METER)
    with pytest.raises(BenchFileError, match="channel"):
        device.shutter({"channel": 1})
    with pytest.raises(BenchFileError, match="unit of power"):
        lab.meter(MeterFunctions(lambda: 0.0, unit="dBm"))


def reader(meter, shutter=None):
    described = MeterDescription("stage", {}, 10e-3, 0.05, relative_noise=0.003, noise_floor_w=5e-7)
    return Metering(described, meter, shutter, VirtualClock(), lambda: None, lambda _: None)


@pytest.mark.parametrize("unit", ["mW", "uW"])
def test_function_that_gives_few_digits_may_repeat_them(lab, unit):
    shown = {"mW": 5.03, "uW": 5030.0}[unit]
    coarse = reader(lab.meter(MeterFunctions(lambda: shown, unit=unit)))
    assert coarse.read(0.002, 25).power_w == pytest.approx(5.03e-3)
    assert coarse.thrown_away == 0


def test_function_whose_power_does_not_pass_its_top_gives_no_reading(lab):
    light, dark = itertools.cycle([6.0]), (2e-4 + 1.3e-7 * n for n in itertools.count())
    shown = [light]
    meter = lab.meter(MeterFunctions(lambda: next(shown[0]), unit="mW"))
    functions = ShutterFunctions(lambda: shown.insert(0, dark), lambda: shown.pop(0))
    shutter = lab.open(Instrument("LAB", shutters={"s": functions})).shutter({"channel": "s"})
    with pytest.raises(ReadingError, match="shows 6 mW again and again"):
        reader(meter, shutter).read(0.002, 25)


def test_axis_of_another_library_moves_and_says_when_it_is_there(lab):
    motor = SynAxis(name="m1", delay=0.2)
    axis = lab.axis(bluesky_object.axis(motor))
    axis.start_move(1.5e-3)
    assert axis.moving()
    wait_until_rest(axis)
    assert axis.position() == pytest.approx(1.5e-3)
    assert motor.position == pytest.approx(1.5)
    axis.stop()


def test_limits_and_refusals_of_another_library_are_heard(lab):
    motor = SoftPositioner(name="tilt", limits=(-2.0, 2.0), egu="mrad", init_pos=0.5)
    motor.read = lambda: {"tilt": {"value": motor.position, "timestamp": time.time()}}
    axis = lab.axis(bluesky_object.axis(motor), PITCH)
    assert axis.limits() == pytest.approx((-2e-3, 2e-3))
    axis.start_move(1e-3)
    assert axis.position() == pytest.approx(1e-3)
    with pytest.raises(Refused, match="not within limits"):
        axis.start_move(3e-3)
    assert motor.position == 1.0


def test_move_that_fails_in_another_library_is_refused_with_its_reason(lab):
    class Sticking(SynAxis):
        def set(self, value):
            status = Status(self, timeout=30.0)
            status.set_exception(RuntimeError(f"the axis sticks on its way to {value}"))
            return status

    axis = lab.axis(bluesky_object.axis(Sticking(name="m2")))

    def move():
        axis.start_move(1e-3)
        wait_until_rest(axis)

    with pytest.raises(Refused, match="sticks"):
        move()


def test_meter_of_another_library_is_triggered_for_each_reading(lab):
    count = iter(range(1, 10))
    signal = SynSignal(func=lambda: next(count), name="power")
    before = signal.read()["power"]["value"] or 0
    meter = lab.meter(bluesky_object.meter(signal, unit="mW"))
    first, second = (meter.read().power_w for _ in range(2))
    assert second == pytest.approx(first + 1e-3)
    assert first > before * 1e-3


def test_devices_that_lack_something_are_refused_in_words():
    class Asynchronous:
        name = "later"

        async def read(self):
            return {}

    with pytest.raises(BenchFileError, match="asynchronous"):
        bluesky_object.meter(Asynchronous(), unit="W")
    with pytest.raises(BenchFileError, match=r"no stop\(\)"):
        bluesky_object.axis(SynSignal(func=lambda: 0, name="p"))
    motor = SynAxis(name="m3")
    motor.egu = ""
    with pytest.raises(BenchFileError, match="unit"):
        bluesky_object.axis(motor)
    with pytest.raises(BadReply, match="no x"):
        bluesky_object.axis(SynAxis(name="m4"), key="x").position()
    assert bluesky_object.axis(SynAxis(name="m5"), key="m5_setpoint").position() == 0.0


LAB_FILE = '''
"""Five screws and a meter, as somebody might write it beside a bench file."""
from autocell_drivers.python_object import AxisFunctions, Instrument, MeterFunctions


class Screw:
    def __init__(self, at=0.0):
        self.at = at

    def move(self, target):
        self.at = target


def open_it():
    screws = {channel: Screw(40.0 if channel == 1 else 0.0) for channel in range(1, 6)}
    return Instrument(
        identity="LAB 7",
        axes={
            channel: AxisFunctions(
                position=lambda screw=screw: screw.at,
                move=screw.move,
                stop=lambda: None,
                moving=lambda: False,
                unit="mrad" if channel in (2, 3) else "mm",
            )
            for channel, screw in screws.items()
        },
        meters={1: MeterFunctions(read=lambda: screws[1].at * 0.05, unit="mW")},
    )
'''


def test_bench_file_may_name_a_file_beside_it(tmp_path):
    (tmp_path / "our_lab.py").write_text(LAB_FILE, "utf-8")
    text = shipped("peat-bog").read_text("utf-8")
    start, end = text.index("devices:"), text.index("axes:")
    lab = "{driver: python-object, address: 'our_lab.py:open_it', identity: LAB 7}"
    text = f"{text[:start]}devices:\n  motion: {lab}\n{text[start:][end - start :]}"
    text = text.replace("device: meter", "device: motion")
    before, _, after = text.partition("  settings:")
    text = before + after[after.index("caps:") :]
    (tmp_path / "bench.yaml").write_text(text, "utf-8")
    with open_bench(load(tmp_path / "bench.yaml"), clock=CLOCK) as bench:
        assert bench.identities == {"motion": "LAB 7"}
        assert bench.positions()["spacing"] == pytest.approx(40e-3)
        assert bench.read_power("check").power_w == pytest.approx(2e-3)
