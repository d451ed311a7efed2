"""Whatever comes in whatever pieces: what a wire and a drive make of it does not depend on it."""

import dataclasses
import itertools

import numpy as np
import pytest
from autocell_simulators.drives import Creep, DriveKind, made
from autocell_simulators.mechanics import AxisTraits, MoveRefusedError, SimulatedAxis
from autocell_simulators.wire import Wire
from hypothesis import given, settings
from hypothesis import strategies as st

TRAITS = AxisTraits(
    low=-2e-3, high=2e-3, beyond=2e-5, speed=1e-3, acceleration=5e-3, backlash=5e-6,
    repeatability=1e-6, resolution=1e-7,
)  # fmt: skip
KINDS: tuple[DriveKind, ...] = ("servo", "stepper", "closed-loop", "piezo-inertia")
MESSAGES = st.lists(
    st.binary(min_size=1, max_size=12).filter(lambda text: not {10, 13} & {*text}), max_size=6
)


def pieces(data: bytes, cuts: list[int]) -> list[bytes]:
    edges = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    return [data[start:end] for start, end in itertools.pairwise(edges)]


@given(MESSAGES, st.lists(st.integers(0, 80), max_size=8))
def test_a_wire_without_faults_passes_every_byte_both_ways(
    messages: list[bytes], cuts: list[int]
) -> None:
    data, wire = b"".join(message + b"\r\n" for message in messages), Wire()
    assert b"".join(wire.from_client(piece) for piece in pieces(data, cuts)) == data
    for piece in pieces(data, cuts):
        wire.from_instrument(piece, 1.0)
    assert wire.take(1.0) == data
    assert wire.counts == {"message": len(messages), "query": len(messages)}


@given(MESSAGES, st.lists(st.integers(0, 80), max_size=8), st.integers(0, 5))
def test_a_wire_strikes_the_same_message_however_its_bytes_arrive(
    messages: list[bytes], cuts: list[int], nth: int
) -> None:
    wire = Wire()

    def arm(direction: str) -> None:
        if direction == "query" and wire.counts["query"] == nth + 1:
            wire.arm("query", lambda message: [(0.0, message.upper()[:3]), (0.5, b"!\n")])

    wire.on_message = arm
    for piece in pieces(b"".join(message + b"\n" for message in messages), cuts):
        wire.from_instrument(piece, 1.0)
    expected = [
        (message + b"\n").upper()[:3] + b"!\n" if index == nth else message + b"\n"
        for index, message in enumerate(messages)
    ]
    assert wire.take(10.0) == b"".join(expected)


@given(MESSAGES, st.floats(1.0, 1e4))
def test_a_slow_wire_keeps_the_order_and_the_pace(
    messages: list[bytes], bytes_per_s: float
) -> None:
    data, wire = b"".join(message + b"\n" for message in messages), Wire()
    wire.bytes_per_s = bytes_per_s
    wire.from_instrument(data, 0.0)
    half = wire.take(0.5 * len(data) / bytes_per_s)
    assert abs(len(half) - len(data) // 2) <= 1
    assert half + wire.take(1.01 * len(data) / bytes_per_s) == data


class Stand:
    """An axis with everything that can be wrong with it, and a time that runs on."""

    def __init__(self, kind: DriveKind) -> None:
        drive = made(
            kind, 5e-6, step=1e-6, settling_s=0.03, ends=(-2e-3, 2e-3),
            random=np.random.default_rng(2),
        )  # fmt: skip
        for name, value in (("backward", 0.8), ("scatter", 0.05), ("dead_steps", 12.0)):
            if kind == "piezo-inertia":
                setattr(drive, name, value)
        self.axis = SimulatedAxis(TRAITS, np.random.default_rng(1), 0.0, drive)
        self.axis.creep = Creep(1e-5, 1e-4, 60.0)
        self.time_s = 0.0

    def wait(self, seconds: float, looks: int) -> None:
        for part in range(1, looks + 1):
            self.axis.advance(self.time_s + seconds * part / looks)
        self.time_s += seconds

    def move(self, target: float) -> None:
        try:
            self.axis.move_to(target)
        except MoveRefusedError:
            return


ACTIONS = st.lists(
    st.tuples(
        st.sampled_from(["move", "stop", "home", "miss", "stick", "wait"]),
        st.floats(-1.9e-3, 1.9e-3),
        st.floats(0.01, 3.0),
    ),
    max_size=10,
)


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=100, deadline=None)
@given(ACTIONS)
def test_how_often_one_looks_changes_nothing_for_any_drive(
    kind: DriveKind, actions: list[tuple[str, float, float]]
) -> None:
    seldom, often = Stand(kind), Stand(kind)
    for stand, looks in ((seldom, 1), (often, 17)):
        for action, target, seconds in actions:
            match action:
                case "move":
                    stand.move(target)
                case "stop":
                    stand.axis.stop()
                case "home" if kind != "piezo-inertia" and not stand.axis.in_motion:
                    stand.axis.home()
                case "miss" if kind == "stepper":
                    stand.axis.miss_steps(5e-5)
                case "stick":
                    stand.axis.stick()
            stand.wait(seconds, looks)
    assert seldom.axis.true_position == pytest.approx(often.axis.true_position, abs=1e-10)
    assert seldom.axis.counter == pytest.approx(often.axis.counter, abs=1.01e-7)
    assert seldom.axis.in_motion == often.axis.in_motion
    assert dataclasses.replace(seldom.axis.counts, travel=0.0) == dataclasses.replace(
        often.axis.counts, travel=0.0
    )


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=100, deadline=None)
@given(ACTIONS)
def test_no_drive_is_ever_beyond_its_ends(
    kind: DriveKind, actions: list[tuple[str, float, float]]
) -> None:
    stand = Stand(kind)
    stand.axis.creep = None
    for action, target, seconds in actions:
        if action == "miss" and kind == "stepper":
            stand.axis.miss_steps(5e-5)
        elif action == "stick" and stand.axis.in_motion:
            stand.axis.run_away(obeys_stop=False)
        else:
            stand.move(target)
        stand.wait(seconds, 5)
        # the switches are 20 µm outside the travel; scatter and backlash are of the load
        assert abs(stand.axis.true_position) <= 2e-3 + 2e-5 + 5e-6 + 6e-6
