"""The simulated G-code board by itself: its bytes are those that the firmware's pages show.

Pages are those of Grbl 1.1 (doc/markdown of its repository): Interface, Commands, Jogging.
"""

from __future__ import annotations

import numpy as np
import pytest
from autocell_simulators.gcode_motion import GcodeMotion
from autocell_simulators.mechanics import AxisTraits, SimulatedAxis


class Board:
    def __init__(self):
        self.now = 0.0
        traits = AxisTraits(
            low=0.0, high=50e-3, beyond=1e-4, speed=5e-3, acceleration=0.1, backlash=0.0,
            repeatability=0.0, resolution=1e-7,
        )  # fmt: skip
        self.axis = SimulatedAxis(traits, np.random.default_rng(3), 0.0)
        self.dialect = GcodeMotion({"X": self.axis}, {"X": 1e3})

    def __call__(self, data, after_s=0.0):
        self.now += after_s
        self.axis.advance(self.now)
        self.dialect.feed(data, self.now)
        return self.dialect.take().decode("ascii")


@pytest.fixture
def board():
    return Board()


def test_report_has_three_axes_in_chevrons(board):
    assert board(b"?") == "<Idle|MPos:0.000,0.000,0.000|FS:0,0>\r\n"


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        (b"\n", "ok\r\n"),
        (b"G21 G90 (a remark)\n", "ok\r\n"),
        (b"$J=X1\n", "error:22\r\n"),  # Jogging: F is required
        (b"$J=M3 X1 F10\n", "error:16\r\n"),
        (b"$J=G53 X51 F10\n", "error:15\r\n"),
        (b"$J=F10\n", "error:26\r\n"),
        (b"G1 X1\n", "error:22\r\n"),
        (b"M3\n", "error:20\r\n"),
        (b"5X\n", "error:1\r\n"),
        (b"G1 X--1 F3\n", "error:2\r\n"),
        (b"$Z\n", "error:3\r\n"),
        (b"X" * 90 + b"\n", "error:11\r\n"),
    ],
)
def test_lines_are_answered_with_ok_or_the_number_of_the_error(board, line, answer):
    assert board(line) == answer
    assert board.axis.counts.moves == 0


def test_jog_moves_and_feed_hold_cancels_it_without_a_reset(board):
    assert board(b"$J=G90 G21 X10 F300\n") == "ok\r\n"
    assert board(b"?", 0.5).startswith("<Jog|MPos:")
    assert board(b"G1 X1 F5\n") == "error:9\r\n"
    assert board(b"$I\n") == "error:8\r\n"
    board(b"!")
    assert board(b"?", 1.0).startswith("<Idle|MPos:2.")


def test_incremental_jogs_in_inches_queue_up(board):
    assert board(b"$J=G91 G20 X0.5 F300\n$J=G91 G20 X0.5 F300\n") == "ok\r\nok\r\n"
    for _ in range(40):
        board(b"?", 0.25)
    assert board(b"?") == "<Idle|MPos:25.400,0.000,0.000|FS:0,0>\r\n"


def test_program_is_held_and_resumed(board):
    board(b"G1 X10 F300\n")
    board(b"!", 0.5)
    assert board(b"?").startswith("<Hold:1|")
    assert board(b"?", 1.0).startswith("<Hold:0|")
    assert board(b"$J=X1 F10\n") == "error:8\r\n"
    board(b"~")
    assert board(b"?", 10.0) == "<Idle|MPos:10.000,0.000,0.000|FS:300,0>\r\n"


def test_reset_at_rest_keeps_the_position_and_in_motion_loses_it(board):
    assert board(b"\x18") == "\r\nGrbl 1.1h ['$' for help]\r\n"
    board(b"G1 X10 F300\n")
    assert "ALARM:3" in board(b"\x18", 0.5)
    assert board(b"?").startswith("<Alarm|")
    assert board(b"$J=X1 F10\n") == "error:8\r\n"
    assert board(b"$X\n") == "[MSG:Caution: Unlocked]\r\nok\r\n"
    assert board(b"?", 1.0).startswith("<Idle|")


def test_homing_answers_when_it_is_done_and_no_status_before(board):
    board.axis.place(5e-3)
    assert board(b"$H\n") == ""
    assert board(b"?", 0.2) == ""
    assert board(b"", 10.0) == "ok\r\n"
    assert board(b"?") == "<Idle|MPos:0.000,0.000,0.000|FS:0,0>\r\n"


def test_build_settings_and_parser_state(board):
    assert board(b"$I\n") == "[VER:1.1h.20190825:BOG-BOARD]\r\n[OPT:VZ,15,128]\r\nok\r\n"
    assert board(b"$G\n").startswith("[GC:G0 G54 G17 G21 G90 G94")
    settings = board(b"$$\n").split("\r\n")
    assert {"$13=0", "$20=1", "$130=50.000", "ok"} <= set(settings)
