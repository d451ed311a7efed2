"""The dialect, line by line as docs/plain-motion.md writes it."""

import itertools
import re
from collections.abc import Callable

import numpy as np
import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.mechanics import AxisTraits, SimulatedAxis
from autocell_simulators.plain_motion import Output, PlainMotion
from hypothesis import given, settings
from hypothesis import strategies as st

from autocell.bench.clock import VirtualClock

Ask = Callable[[str], str]

TRAITS = AxisTraits(0.0, 0.05, 0.25e-3, 5e-3, 20e-3, 0.0, 1e-6, 1e-7)


def a_controller() -> PlainMotion:
    axis = SimulatedAxis(TRAITS, np.random.default_rng(0), 0.0)
    axis.place(0.02)
    return PlainMotion({1: axis}, {1: Output()})


@pytest.mark.parametrize(
    ("command", "reply"),
    [
        ("ID?", "ID PLAIN-MOTION 1.2 SN 0417"),
        ("1 PO?", "1 PO 40.00000"),
        ("2 PO?", "2 PO 0.00000"),
        ("1 ST?", "1 ST 10"),
        ("1 LI?", "1 LI 0.00000 50.00000"),
        ("2 LI?", "2 LI -15.00000 15.00000"),
        ("1 MA 12.3456", "1 OK"),
        ("1 MA .5", "1 OK"),
        ("1 MR -0.5", "1 OK"),
        ("1 SP", "1 OK"),
        ("0 SP", "0 OK"),
        ("1 HO", "1 OK"),
        ("1 OU 1", "1 OK"),
        ("1 OU?", "1 OU 1"),
        ("1 XX", "1 ER 1 COMMAND"),
        ("1 ma 3", "1 ER 1 COMMAND"),
        ("1 MA", "1 ER 1 COMMAND"),
        ("1 MA 1e1", "1 ER 1 COMMAND"),
        ("1 MA 1.234567", "1 ER 1 COMMAND"),
        ("1 MA nan", "1 ER 1 COMMAND"),
        ("1 OU 2", "1 ER 1 COMMAND"),
        ("8 PO?", "8 ER 2 AXIS"),
        ("0 PO?", "0 ER 2 AXIS"),
        ("2 OU?", "2 ER 2 AXIS"),
        ("1 MA 50.00001", "1 ER 3 LIMIT"),
        ("1 MA -0.1", "1 ER 3 LIMIT"),
        ("1 MR 10.1", "1 ER 3 LIMIT"),
        ("HELLO", "0 ER 1 COMMAND"),
        ("PO?", "0 ER 1 COMMAND"),
        ("\xff\xfe", "0 ER 1 COMMAND"),
        ("1 PO? " + "x" * 200, "1 ER 1 COMMAND"),
    ],
)
def test_every_command_has_its_one_reply(controller: Ask, command: str, reply: str) -> None:
    assert controller(command) == reply


def test_a_move_is_seen_in_the_status_and_ends_at_its_target(
    controller: Ask, clock: VirtualClock
) -> None:
    assert controller("1 MA 30.5") == "1 OK"
    clock.sleep(0.02)
    assert controller("1 ST?") == "1 ST 11"
    assert controller("1 MA 3") == "1 ER 4 BUSY"
    clock.sleep(3.0)
    assert controller("1 ST?") == "1 ST 10"
    assert float(controller("1 PO?").split()[2]) == pytest.approx(30.5, abs=2e-4)


def test_stop_of_all_axes_stops_each(controller: Ask, clock: VirtualClock) -> None:
    controller("1 MA 0")
    controller("2 MA 15")
    clock.sleep(0.5)
    controller("0 SP")
    clock.sleep(0.5)
    assert controller("1 ST?") == "1 ST 10"
    assert controller("2 ST?") == "2 ST 10"
    assert 30.0 < float(controller("1 PO?").split()[2]) < 39.0


def test_a_power_cycle_is_told_by_the_referenced_bit_alone(
    controller: Ask, bench: SimulatedBench, clock: VirtualClock
) -> None:
    for axis in bench.axes.values():
        axis.power_cycle()
    assert controller("1 ST?") == "1 ST 00"
    assert controller("1 PO?") == "1 PO 0.00000"
    assert controller("1 MA 1") == "1 ER 5 NOREF"
    assert controller("1 HO") == "1 OK"
    clock.sleep(30.0)
    assert controller("1 ST?") == "1 ST 10"


def test_a_pressed_limit_switch_has_its_bit(
    controller: Ask, bench: SimulatedBench, clock: VirtualClock
) -> None:
    bench.axes["spacing"].power_cycle()
    controller("1 MR -60")
    clock.sleep(30.0)
    assert controller("1 ST?") == "1 ST 02"
    controller("1 MR 60")
    clock.sleep(30.0)
    assert controller("1 ST?") == "1 ST 04"


def test_an_axis_in_fault_says_so(controller: Ask, bench: SimulatedBench) -> None:
    bench.axes["yaw"].faulted = True
    assert controller("3 ST?") == "3 ST 18"
    assert controller("3 MR 0.1") == "3 ER 6 FAULT"


def test_output_one_is_the_shutter(controller: Ask, bench: SimulatedBench) -> None:
    controller("1 OU 0")
    assert controller("1 OU?") == "1 OU 0"
    assert not bench.shutter.on


@given(st.lists(st.integers(0, 60), max_size=8))
def test_replies_do_not_depend_on_how_the_bytes_arrive(cuts: list[int]) -> None:
    commands = b"ID?\r1 PO?\r\n1 LI?\r7 SP\r\r1 OU?\rX\r"
    whole, pieces = a_controller(), a_controller()
    whole.feed(commands, 0.0)
    edges = [0, *sorted(cuts), len(commands)]
    for start, end in itertools.pairwise(edges):
        pieces.feed(commands[start:end], 0.0)
    assert pieces.take() == whole.take()


@settings(max_examples=300)
@given(st.binary(max_size=200) | st.text("0123456789 MARSPTOUHIDL?.-+\r\n", max_size=80))
def test_whatever_arrives_each_reply_is_one_of_the_dialect(data: bytes | str) -> None:
    controller = a_controller()
    sent = data.encode() if isinstance(data, str) else data
    controller.feed(sent + b"\r", 0.0)
    replies = controller.take().decode("ascii")
    assert len(re.findall("\r\n", replies)) <= sent.count(b"\r") + 1
    for reply in replies.split("\r\n")[:-1]:
        assert re.fullmatch(
            r"ID PLAIN-MOTION 1\.2 SN 0417|\d+ (OK|OU [01]|ST [01][0-9A-F]"
            r"|PO -?\d+\.\d{5}|LI -?\d+\.\d{5} -?\d+\.\d{5}|ER [1-6] [A-Z]+)",
            reply,
        )


def test_half_a_command_is_forgotten_with_the_client() -> None:
    controller = a_controller()
    controller.feed(b"1 MA 3", 0.0)
    controller.hang_up()
    controller.feed(b"ID?\r", 0.0)
    assert controller.take() == b"ID PLAIN-MOTION 1.2 SN 0417\r\n"
