"""A stop from another thread, while the thread that moves is talking on the same line: over real
pseudo-terminals and sockets, in real time."""

from __future__ import annotations

import threading

import pytest
from autocell_drivers.ascii_motion import open_device
from autocell_drivers.transports import connect

from autocell.bench.clock import RealClock
from autocell.bench.file import shipped
from autocell.errors import Stopped

CLOCK = RealClock()
AXIS = {"device": "motion", "channel": 1, "limits_mm": [0, 50], "repeatability_mm": 0.001}
_PATIENCE_S = 20.0
LOST = object()


class Controller:
    """Answers as docs/plain-motion.md says, from where it stands; ``before`` gives for a command
    what happens first: seconds pass, an event has to come, or its answer is lost."""

    def __init__(self):
        self.before = {}
        self.asked = {}

    def __call__(self, line):
        command = line.decode()
        if command in self.asked:
            self.asked.pop(command).set()
        for step in self.before.pop(command, ()):
            if step is LOST:
                return
            if isinstance(step, threading.Event):
                step.wait(_PATIENCE_S)
            else:
                yield step
        yield self.answer(command).encode() + b"\r\n"

    def answer(self, command):
        return {
            "ID?": "ID PLAIN-MOTION 1.2",
            "1 PO?": "1 PO 10.00000",
            "1 ST?": "1 ST 10",
            "1 LI?": "1 LI 0 50",
        }.get(command, f"{command.split()[0]} OK")


@pytest.fixture(params=["pty", "socket"])
def line(request, serve):
    """An axis of a controller, and the record of what that was sent."""
    devices = []

    def opened(controller):
        instrument = serve(request.param, controller, b"\r")
        section = {
            "driver": "ascii-motion",
            "address": instrument.address,
            "identity": "PLAIN-MOTION",
            "dialect": "plain-motion.yaml",
            "path": str(shipped("plain-motion").parent),
        }
        devices.append(open_device(section, CLOCK, connect))
        return devices[-1].axis("spacing", AXIS), instrument

    yield opened
    for device in devices:
        device.close()


def beside(job):
    """A job in a thread of its own, and what comes of it once that is asked for."""
    came = []

    def run():
        try:
            came.append(job())
        except BaseException as error:
            came.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()

    def ended():
        thread.join(_PATIENCE_S)
        assert not thread.is_alive()
        return came[0]

    return ended


def test_a_move_that_was_about_to_be_sent_is_not_sent_after_the_stop(line):
    """Where the axis stands is asked before its first move."""
    controller = Controller()
    axis, instrument = line(controller)
    asked = controller.asked["1 PO?"] = threading.Event()
    controller.before["1 PO?"] = [0.2]
    moves = beside(lambda: axis.start_move(0.020))
    assert asked.wait(_PATIENCE_S)
    axis.stop()
    assert isinstance(moves(), Stopped)
    assert b"1 MA 20.00000" not in instrument.lines
    assert b"1 SP" in instrument.lines
    axis.start_move(0.020)  # on somebody's explicit word
    assert instrument.lines[-1] == b"1 MA 20.00000"


@pytest.mark.parametrize("answered", [True, False])
def test_a_question_keeps_no_answer_from_the_stop_and_is_not_repeated_beside_it(line, answered):
    controller = Controller()
    axis, instrument = line(controller)
    for _ in range(10):
        asked = controller.asked["1 PO?"] = threading.Event()
        controller.before["1 PO?"] = [0.01] if answered else [LOST]
        reads = beside(axis.position)
        assert asked.wait(_PATIENCE_S)
        before = len(instrument.lines)
        axis.stop()
        found = reads()
        assert isinstance(found, Stopped) or (answered and found == 0.01)
        said = instrument.lines[before:]
        assert said in ([b"1 SP", b"0 SP", b"ID?", b"1 SP"], [b"1 SP"])
        assert axis.position() == 0.01


def test_several_axes_that_are_told_ahead_are_told_beside_a_question(line):
    controller = Controller()
    axis, instrument = line(controller)
    asked = controller.asked["1 PO?"] = threading.Event()
    controller.before["1 PO?"] = [LOST]
    reads = beside(axis.position)
    assert asked.wait(_PATIENCE_S)
    axis.send_stop()
    assert isinstance(reads(), Stopped)
    axis.stop()
    assert instrument.lines.count(b"1 PO?") == 1
    assert instrument.lines.count(b"1 SP") == 3  # ahead, unasked, and on a line that is in step


def test_whoever_waits_for_a_stop_asks_nothing_before_it_is_over(line):
    controller = Controller()
    axis, instrument = line(controller)
    told, goes_on = threading.Event(), threading.Event()
    controller.asked["1 SP"] = told
    controller.before["1 SP"] = [goes_on]
    stops = beside(axis.stop)
    assert told.wait(_PATIENCE_S)
    with pytest.raises(Stopped):
        axis.position()
    goes_on.set()
    assert stops() is None
    assert b"1 PO?" not in instrument.lines
    assert axis.position() == 0.01
