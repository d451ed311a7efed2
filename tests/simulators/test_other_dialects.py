"""step-counting-motion and checked-motion, line by line as their pages in docs write them."""

from __future__ import annotations

import functools
import operator
from dataclasses import replace

import numpy as np
import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.checked_motion import CheckedAxis, CheckedMotion
from autocell_simulators.faults.scenario import Scenario, entry
from autocell_simulators.inprocess import connector
from autocell_simulators.mechanics import AxisTraits, SimulatedAxis
from autocell_simulators.plain_motion import Output
from autocell_simulators.step_counting_motion import SCREW, TILT, StepCountingMotion

from autocell.bench.clock import VirtualClock
from autocell.bench.protocols import Line
from autocell.description import BenchDescription

SPACING = AxisTraits(0.0, 0.05, 0.25e-3, 5e-3, 20e-3, 0.0, 0.0, 1e-7)
YAW = AxisTraits(-0.015, 0.015, 0.15e-3, 10e-3, 50e-3, 0.0, 0.0, 1e-6)


def axis_at(traits: AxisTraits, position: float) -> SimulatedAxis:
    axis = SimulatedAxis(traits, np.random.default_rng(0), 0.0)
    axis.place(position)
    return axis


class SteppingStand:
    """A step counter with one axis of each kind, asked for what it says to a text."""

    def __init__(self) -> None:
        self.axes = {"X": (axis_at(SPACING, 0.02), SCREW), "B": (axis_at(YAW, -0.002), TILT)}
        self.controller = StepCountingMotion(self.axes)

    def __call__(self, text: bytes, now_s: float = 0.0) -> bytes:
        for axis, _ in self.axes.values():
            axis.advance(now_s)
        self.controller.feed(text, now_s)
        return self.controller.take()


@pytest.mark.parametrize(
    ("command", "reply"),
    [
        (b"WHO;", b"WHO=STEP-COUNTING-MOTION 7 SN 0093;\n"),
        (b"PX?;", b"PX=400000;\n"),
        (b"PB?;", b"PB=497500;\n"),
        (b"SX?;", b"SX=1;\n"),
        (b"GX246912;", b""),
        (b"GX+1;", b""),
        (b"HX;", b""),
        (b"HALT;", b""),
        (b"RX;", b""),
        (b" PX?\r\n;", b"PX=400000;\n"),
        (b";", b""),
        (b"HELLO;", b"E10;\n"),
        (b"gx1;", b"E10;\n"),
        (b"GX1.5;", b"E10;\n"),
        (b"GX;", b"E10;\n"),
        (b"GX?;", b"E10;\n"),
        (b"\xff\xfe;", b"E10;\n"),
        (b"GX" + b"0" * 70 + b";", b"E10;\n"),
        (b"PA?;", b"E11;\n"),
        (b"GX1000001;", b"E20;\n"),
        (b"GX-1;", b"E20;\n"),
        (b"GB481249;", b"E20;\n"),
        (b"GX0;PX?;GX1;", b"PX=400000;\nE30;\n"),
    ],
)
def test_step_counter_answers_as_its_page_says(command: bytes, reply: bytes) -> None:
    assert SteppingStand()(command) == reply


def test_step_counter_tells_in_position_and_counts_from_zero_after_a_power_cycle() -> None:
    stand = SteppingStand()
    assert stand(b"GX420000;") == b""
    assert stand(b"SX?;", 0.05) == b"SX=0;\n"
    assert stand(b"SX?;PX?;", 3.0) == b"SX=1;\nPX=420000;\n"
    stand.axes["X"][0].power_cycle()
    assert stand(b"PX?;GX1000;", 3.0) == b"PX=0;\nE50;\n"
    assert stand(b"RX;", 3.0) == b""
    assert stand(b"PX?;GX1000;", 60.0) == b"PX=0;\n"
    stand.axes["B"][0].faulted = True
    assert stand(b"SB?;GB500000;", 60.0) == b"SB=129;\nE40;\n"


def checked(text: str) -> bytes:
    """With the exclusive or of its bytes behind."""
    return f"{text}*{functools.reduce(operator.xor, text.encode(), 0):02X}".encode()


class CheckedStand:
    """A checked controller with one axis of each kind and an output."""

    def __init__(self) -> None:
        self.axes = {1: axis_at(SPACING, 0.02), 3: axis_at(YAW, -0.002)}
        channels = {
            1: CheckedAxis(self.axes[1], "mm", 6),
            3: CheckedAxis(self.axes[3], "mrad", 5),
        }
        self.controller = CheckedMotion(channels, {1: Output()})

    def feed(self, data: bytes, now_s: float = 0.0) -> bytes:
        for axis in self.axes.values():
            axis.advance(now_s)
        self.controller.feed(data, now_s)
        return self.controller.take()

    def __call__(self, command: str, now_s: float = 0.0) -> str:
        """The text of the reply, echo and checksum being right."""
        sent = checked(command) + b"\r"
        came = self.feed(sent, now_s)
        assert came.startswith(sent)
        text = came.removeprefix(sent)[:-5].decode()
        assert came == sent + checked(text) + b"\r\n"
        return text


@pytest.mark.parametrize(
    ("command", "reply"),
    [
        ("#0 VERSION", "@0 VERSION CHECKED-MOTION 3 SN 2210"),
        ("#1 POS", "@1 POS 20.000000 mm"),
        ("#3 POS", "@3 POS -2.00000 mrad"),
        ("#1 LIMITS", "@1 LIMITS 0.000000,50.000000"),
        ("#3 LIMITS", "@3 LIMITS -15.00000,15.00000"),
        ("#1 STATE", "@1 STATE IR"),
        ("#1 GOTO 12.3456", "@1 GOTO 12.3456"),
        ("#1 STEP -0.5", "@1 STEP -0.5"),
        ("#1 STOP", "@1 STOP"),
        ("#0 STOP", "@0 STOP"),
        ("#1 HOME", "@1 HOME"),
        ("#0 OUT1", "@0 OUT1 ON"),
        ("#0 OUT1 OFF", "@0 OUT1 OFF"),
        ("#0 OUT2", "!0 UNKNOWN"),
        ("#0 OUT1 MAYBE", "!0 UNKNOWN"),
        ("#1 OUT1", "!1 UNKNOWN"),
        ("#1 DANCE", "!1 UNKNOWN"),
        ("#1 GOTO", "!1 UNKNOWN"),
        ("#1 GOTO 1e1", "!1 UNKNOWN"),
        ("#1 POS 3", "!1 UNKNOWN"),
        ("POS", "!0 UNKNOWN"),
        ("#2 POS", "!2 AXIS"),
        ("#1 GOTO 50.1", "!1 RANGE"),
        ("#1 STEP 30.1", "!1 RANGE"),
    ],
)
def test_checked_controller_answers_as_its_page_says(command: str, reply: str) -> None:
    assert CheckedStand()(command) == reply


def test_checked_controller_shows_motion_reference_and_fault_by_letters() -> None:
    stand = CheckedStand()
    assert stand("#1 STEP 1") == "@1 STEP 1"
    assert stand("#1 STATE", 0.05) == "@1 STATE MR"
    assert stand("#1 GOTO 3", 0.05) == "!1 MOVING"
    assert stand("#1 POS", 3.0) == "@1 POS 21.000000 mm"
    stand.axes[1].power_cycle()
    assert stand("#1 STATE", 3.0) == "@1 STATE I"
    assert stand("#1 GOTO 3", 3.0) == "!1 REFERENCE"
    stand.axes[1].faulted = True
    assert stand("#1 STATE", 3.0) == "@1 STATE IF"
    assert stand("#1 HOME", 3.0) == "!1 FAULT"


@pytest.mark.parametrize("line", [b"#1 GOTO 12*00", b"#1 GOTO 12", b"#1 POS*7e", b"*", b"\xff"])
def test_line_with_a_wrong_checksum_is_echoed_and_not_carried_out(line: bytes) -> None:
    stand = CheckedStand()
    assert stand.feed(line + b"\r") == line + b"\r" + checked("!0 CHECKSUM") + b"\r\n"
    assert stand.axes[1].counts.moves == 0


def test_messages_of_a_step_counter_are_told_apart_by_its_own_endings(
    description: BenchDescription, clock: VirtualClock
) -> None:
    """A fault of the line counts messages, and takes one of them: here the second."""
    device = replace(
        description.devices["motion"],
        section={**description.devices["motion"].section, "dialect": "step-counting-motion.yaml"},
    )
    stepping = replace(description, devices={**description.devices, "motion": device}, shutter=None)
    fault = {"fault": "lost-command", "device": "motion", "when": {"query": 2}}
    bench = SimulatedBench(stepping, 7, clock, scenario=Scenario(entries=[entry(fault)]))
    line = connector(bench)(device.address, Line(clock))
    line.write(b"WHO;")
    assert line.read_until(b";\n", clock.now() + 1.0).startswith(b"WHO=")
    line.write(b"PX?;")
    line.write(b"PB?;")
    assert line.read_until(b";\n", clock.now() + 1.0).startswith(b"PB=")
    assert len(bench.events) == 1
