"""The G-code driver on a simulated board, each written from the firmware's pages on its own.

On a virtual clock in process, on a pseudo-terminal, and on a TCP port.
"""

from __future__ import annotations

import threading

import numpy as np
import pytest
from autocell_drivers.gcode_motion import open_device
from autocell_drivers.transports import connect
from autocell_simulators.gcode_motion import GcodeMotion
from autocell_simulators.mechanics import AxisTraits, SimulatedAxis

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.protocols import ReportsLimits, ReportsReference
from autocell.errors import (
    BenchFileError,
    Disconnected,
    LimitError,
    NoReply,
    Refused,
    WrongIdentity,
)

SPACING = {
    "device": "motion", "channel": "X", "limits_mm": [0, 50], "speed_mm_per_s": 5,
    "acceleration_mm_per_s2": 50, "repeatability_mm": 0.001,
}  # fmt: skip
LIFT = SPACING | {"channel": 2, "limits_mm": [-25, 0], "speed_mm_per_s": 2}
PITCH = {
    "device": "motion", "channel": "A", "limits_mrad": [0, 30], "speed_mrad_per_s": 20,
    "acceleration_mrad_per_s2": 200, "repeatability_mrad": 0.02,
}  # fmt: skip
DEGREES = 180.0 / np.pi


def traits(low, high, speed):
    return AxisTraits(
        low=low, high=high, beyond=0.1e-3, speed=speed, acceleration=20 * speed, backlash=0.0,
        repeatability=0.0, resolution=1e-7,
    )  # fmt: skip


class Board:
    """A simulated board on a clock, for one client at a time."""

    def __init__(self, clock):
        self.clock = clock
        self.lock = threading.RLock()
        spans = {"X": (0.0, 50e-3, 5e-3), "Y": (-25e-3, 0.0, 2e-3), "A": (0.0, 30e-3, 20e-3)}
        self.axes = {
            letter: SimulatedAxis(traits(*span), np.random.default_rng(1), clock.now())
            for letter, span in spans.items()
        }
        per_si = {"X": 1e3, "Y": 1e3, "A": DEGREES}
        self.dialect = GcodeMotion(self.axes, per_si, name="BOG-BOARD 12")
        self.heard = b""
        self.deaf = 0

    def feed(self, data):
        with self.lock:
            for axis in self.axes.values():
                axis.advance(self.clock.now())
            self.heard += data
            self.dialect.feed(data, self.clock.now())
            answer = self.dialect.take()
            if self.deaf and answer:
                self.deaf -= 1
                return b""
            return answer

    def power_cycle(self):
        with self.lock:
            for axis in self.axes.values():
                axis.power_cycle()
            self.dialect.feed(b"\x18", self.clock.now())
            self.dialect.take()

    @property
    def moves(self):
        return sum(axis.counts.moves for axis in self.axes.values())


class InProcess:
    """A transport straight into a board."""

    def __init__(self, board):
        self.board = board
        self.inbox = b""

    def write(self, message):
        self.inbox += self.board.feed(message)

    def read_until(self, terminator, deadline):
        found, ended, rest = self.inbox.partition(terminator)
        if not ended:
            self.board.clock.sleep(max(0.0, deadline - self.board.clock.now()))
            raise NoReply("silent")
        self.inbox = rest
        return found

    def discard_input(self):
        count, self.inbox = len(self.inbox), b""
        return count

    def close(self):
        pass


class Opened:
    def __init__(self, board, device):
        self.board = board
        self.device = device

    def axis(self, section, name="spacing"):
        return self.device.axis(name, section)

    def wait(self, *axes, patience_s=30.0):
        deadline = self.board.clock.now() + patience_s
        while any(axis.moving() for axis in axes):
            assert self.board.clock.now() < deadline
            self.board.clock.sleep(0.01)


def section(address, **changes):
    words = {"driver": "gcode-motion", "address": address, "identity": "BOG-BOARD", "path": "."}
    return words | changes


@pytest.fixture(params=["in process", "pty", "socket"])
def bench(request, serve):
    if request.param == "in process":
        board = Board(VirtualClock())
        device = open_device(section("board"), board.clock, lambda *_: InProcess(board))
    else:
        board = Board(RealClock())
        address = serve(request.param, lambda data: iter([board.feed(data)]), b"").address
        device = open_device(section(address), board.clock, connect)
    yield Opened(board, device)
    device.close()


@pytest.fixture
def virtual():
    board = Board(VirtualClock())
    device = open_device(section("board"), board.clock, lambda *_: InProcess(board))
    yield Opened(board, device)
    device.close()


def test_board_says_who_it_is_and_how_far_it_goes(bench):
    assert bench.device.identity == "1.1h.20190825:BOG-BOARD 12"
    for words, low, high in ((SPACING, 0.0, 50e-3), (LIFT, -25e-3, 0.0), (PITCH, 0.0, 30e-3)):
        axis = bench.axis(words)
        assert isinstance(axis, ReportsLimits)
        assert axis.limits() == pytest.approx((low, high), abs=2e-5)
        assert isinstance(axis, ReportsReference)
        assert axis.referenced()
        assert not axis.moving()


def test_moves_end_where_they_were_sent(bench):
    spacing, pitch = bench.axis(SPACING), bench.axis(PITCH, "pitch")
    spacing.start_move(0.5e-3)
    assert spacing.moving()
    bench.wait(spacing)
    pitch.start_move(2e-3)
    bench.wait(pitch)
    assert spacing.position() == pytest.approx(0.5e-3, abs=1e-6)
    assert pitch.position() == pytest.approx(2e-3, abs=2e-5)
    assert bench.board.axes["X"].true_position == pytest.approx(0.5e-3, abs=1e-6)


def test_axes_sent_one_after_the_other_travel_together(virtual):
    spacing, lift = virtual.axis(SPACING), virtual.axis(LIFT, "lift")
    spacing.start_move(10e-3)
    virtual.board.clock.sleep(0.2)
    lift.start_move(-1e-3)
    virtual.board.clock.sleep(0.3)
    under_way = spacing.position(), lift.position()
    assert 0.0 < under_way[0] < 10e-3
    assert -1e-3 < under_way[1] < 0.0
    virtual.wait(lift)
    assert spacing.moving()
    virtual.wait(spacing)
    assert spacing.position() == pytest.approx(10e-3, abs=1e-6)
    assert lift.position() == pytest.approx(-1e-3, abs=1e-6)
    jogs = [line for line in virtual.board.heard.split(b"\n") if b"$J=" in line]
    assert len(jogs) == 2
    assert b" X10.000" in jogs[1]
    assert b" Y-1.000" in jogs[1]


def test_speed_is_that_of_the_bench_file_also_along_a_diagonal(virtual):
    spacing, lift = virtual.axis(SPACING), virtual.axis(LIFT, "lift")
    spacing.start_move(4e-3)
    assert virtual.board.heard.rstrip().endswith(b"X4.000 F300.000")
    lift.start_move(-3e-3)
    jog = virtual.board.heard.rstrip().split(b"\n")[-1]
    # 5 mm in the 1.5 s that the slower axis takes for its 3 mm
    assert float(jog.split(b"F")[1]) == pytest.approx(60 * 5.0 / 1.5, rel=1e-3)


def test_stop_ends_a_move_on_its_way_and_nothing_is_lost(bench):
    axis = bench.axis(SPACING)
    axis.start_move(40e-3)
    bench.board.clock.sleep(0.2)
    axis.stop()
    bench.wait(axis)
    assert 0.0 < axis.position() < 5e-3
    assert axis.referenced()
    at = axis.position()
    bench.board.clock.sleep(0.2)
    assert axis.position() == at
    assert b"\x18" not in bench.board.heard


def test_stop_is_the_next_byte_and_harmless_at_rest(virtual):
    axis = virtual.axis(SPACING)
    heard = len(virtual.board.heard)
    axis.stop()
    axis.stop()
    assert virtual.board.heard[heard:].startswith(b"\x85")
    assert axis.referenced()
    axis.start_move(1e-3)
    virtual.wait(axis)
    assert axis.position() == pytest.approx(1e-3, abs=1e-6)


def test_program_of_somebody_else_is_held_and_forgotten(virtual):
    axis = virtual.axis(SPACING)
    virtual.board.feed(b"G21 G90\nG1 X30 F300\nG1 X0 F300\n")
    virtual.board.clock.sleep(0.5)
    assert axis.moving()
    with pytest.raises(Refused, match="busy"):
        axis.start_move(1e-3)
    axis.stop()
    assert not axis.moving()
    at = axis.position()
    assert 0.0 < at < 30e-3
    virtual.board.feed(b"~")
    virtual.board.clock.sleep(1.0)
    assert axis.position() == at
    assert axis.referenced()


def test_stop_ends_homing_and_says_that_the_position_is_lost(virtual):
    axis = virtual.axis(SPACING)
    virtual.board.axes["X"].place(40e-3)
    virtual.board.feed(b"$H\n")
    virtual.board.clock.sleep(0.5)
    axis.stop()
    assert not axis.referenced()
    with pytest.raises(Refused, match="alarm"):
        axis.moving()


@pytest.mark.parametrize("deaf", [1, 2])
def test_move_whose_acknowledgement_is_lost_is_not_sent_again(virtual, deaf):
    axis = virtual.axis(SPACING)
    axis.position()
    start = virtual.board.feed

    def lose_the_acknowledgement(data):
        if b"$J=" in data:
            virtual.board.deaf = deaf
        return start(data)

    virtual.board.feed = lose_the_acknowledgement
    axis.start_move(8e-3)
    virtual.wait(axis)
    assert axis.position() == pytest.approx(8e-3, abs=1e-6)
    assert virtual.board.moves == 1


def test_move_that_never_arrived_is_sent_again_once(virtual):
    axis = virtual.axis(SPACING)
    hear = virtual.board.feed
    losses = [1]

    def lose_the_line(data):
        if b"$J=" in data and losses:
            losses.pop()
            return b""
        return hear(data)

    virtual.board.feed = lose_the_line
    axis.start_move(1e-3)
    virtual.wait(axis)
    assert axis.position() == pytest.approx(1e-3, abs=1e-6)


def test_board_that_is_silent_is_held_and_reset_and_said_to_be_silent(virtual):
    axis = virtual.axis(SPACING)
    axis.start_move(40e-3)
    heard = len(virtual.board.heard)
    virtual.board.deaf = 10**6
    with pytest.raises(NoReply):
        axis.stop()
    sent = virtual.board.heard[heard:]
    assert sent.startswith(b"\x85")
    assert b"!" in sent
    assert b"\x18" in sent
    virtual.board.deaf = 0
    virtual.board.clock.sleep(1.0)
    assert axis.position() < 20e-3


def test_refusals_come_in_words_and_before_anything_is_sent_for_what_is_no_number(virtual):
    axis = virtual.axis(SPACING)
    with pytest.raises(Refused, match="beyond its travel"):
        axis.start_move(60e-3)
    heard = virtual.board.heard
    with pytest.raises(LimitError):
        axis.start_move(float("nan"))
    assert virtual.board.heard == heard
    axis.start_move(10e-3)
    with pytest.raises(Refused, match="busy"):
        axis.start_move(11e-3)


def test_power_cycle_shows_as_an_alarm_until_it_is_homed(virtual):
    axis = virtual.axis(SPACING)
    axis.start_move(5e-3)
    virtual.wait(axis)
    virtual.board.power_cycle()
    assert not axis.referenced()
    with pytest.raises(Refused, match="home it"):
        axis.moving()
    with pytest.raises(Refused, match="idle"):
        axis.start_move(1e-3)
    virtual.board.feed(b"$H\n")
    virtual.board.clock.sleep(30.0)
    assert axis.referenced()


def test_hold_by_somebody_else_and_limit_switches_end_the_move(virtual):
    axis = virtual.axis(SPACING)
    virtual.board.feed(b"!")
    with pytest.raises(Refused, match="Hold"):
        axis.moving()
    axis.stop()
    assert not axis.moving()
    axis.start_move(5e-3)
    virtual.board.axes["X"].ends.switches["high"] = "closed"
    with pytest.raises(Refused, match="limit switch"):
        axis.moving()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (SPACING | {"channel": "Q"}, "channel is 'Q'"),
        (SPACING | {"channel": 0}, "channel is 0"),
        (SPACING | {"channel": "B"}, "no axis B"),
        (SPACING | {"direction": 2}, "direction"),
        (SPACING | {"units_per_mm": -1}, "units_per_mm"),
        (SPACING | {"speed_mm_per_s": 0}, "speed"),
        (PITCH | {"channel": "Z"}, "units_per_mrad"),
    ],
)
def test_axis_that_cannot_be_used_is_refused(virtual, words, told):
    with pytest.raises(BenchFileError, match=told):
        virtual.axis(words)


def test_axis_that_counts_the_other_way_in_other_units(virtual):
    axis = virtual.axis(SPACING | {"direction": -1, "units_per_mm": 2.0})
    axis.start_move(-3e-3)
    virtual.wait(axis)
    assert virtual.board.axes["X"].counter == pytest.approx(6e-3, abs=1e-6)
    assert axis.position() == pytest.approx(-3e-3)
    assert axis.limits() == pytest.approx((-25e-3, 0.0))


def test_wrong_identity_and_unknown_keys_are_refused():
    board = Board(VirtualClock())
    with pytest.raises(WrongIdentity, match="OTHER"):
        open_device(section("x", identity="OTHER"), board.clock, lambda *_: InProcess(board))
    with pytest.raises(BenchFileError, match="parity"):
        open_device(section("x", parity="N"), board.clock, lambda *_: InProcess(board))
    with pytest.raises(Disconnected):
        open_device(section("/dev/no-such-port"), board.clock, connect)


def test_board_measures_nothing_and_has_no_shutter(virtual):
    with pytest.raises(BenchFileError, match="power meter"):
        virtual.device.power_meter("power_meter", {})
    with pytest.raises(BenchFileError, match="shutter"):
        virtual.device.shutter({})
    assert virtual.device.notes == ()
