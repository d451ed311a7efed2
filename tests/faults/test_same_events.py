"""One scenario gives the same events in process on the virtual clock and over real lines."""

import json

import pytest

from autocell.description import BenchDescription
from tests.faults.sessions import Session, in_process, served

COUNTED = """
scenario: everything that is counted
seed: 21
faults:
  - {fault: mode-hop, percent: 5, when: {move: 2, part: 0.0}}
  - {fault: stick, axis: horizontal, when: {per_move: 0.5}}
  - {fault: knock, urad: 300, when: {reading: 3}}
  - {fault: duplicated-reply, device: motion, when: {per_query: 0.1}}
  - {fault: garbled-reply, device: motion, when: {query: 9}}
  - {fault: garbled-reply, device: meter, bits: 3, when: {query: 4}}
"""
TIMED = """
scenario: everything that has its time
seed: 21
faults:
  - {fault: mode-hop, percent: 5, when: {at_s: 0.3}, for_s: 0.2}
  - {fault: slow-line, device: motion, bytes_per_s: 4000, when: {at_s: 0.4}, for_s: 0.45}
  - {fault: disconnected, device: meter, when: {at_s: 0.55}, for_s: 0.25}
  - {fault: knock, urad: 3, when: {per_hour: 72000}}
  - {fault: dust, when: {at_s: 0.7}}
"""
WITHIN_S = 1.2
"""Events of so much time are looked at."""
PARTS = """
scenario: everything that has its time after something else
seed: 21
faults:
  - {fault: mode-hop, percent: 5, when: {move: 2, part: 0.0}}
  - {fault: dust, when: {move: 2, part: 0.25}}
  - {fault: optical-feedback, when: {move: 2, part: 0.75}, for_s: 0.2}
  - {fault: dark-offset, when: {reading: 2, part: 0.0}}
  - {fault: room-light, when: {reading: 2, part: 0.5}, for_s: 0.3}
  - {fault: slow-line, device: motion, bytes_per_s: 4000, when: {query: 3}, for_s: 0.15}
"""
FROM = {
    "mode-hop": ("mode-hop", "dust", "optical-feedback"),
    "dark-offset": ("dark-offset", "room-light"),
    "slow-line": ("slow-line",),
}
"""What begins with a move, a reading or a query, and what has its time from there."""
ROUNDING_S = 1e-9
"""A fault begins when the scenario says, not when anybody looks or a thread gets to run: however
slow the machine, times differ by what a sum of seconds since the clock began is rounded by."""


@pytest.fixture(params=[True, False], ids=["pty and TCP", "TCP alone"])
def pseudo_terminals(request: pytest.FixtureRequest) -> bool:
    return bool(request.param)


def count(session: Session) -> list[tuple[str, str, str | None, int | None]]:
    """Play what is counted; what came of it."""
    for turn in range(6):
        session.motion(b"4 MA %.2f\r" % (0.01 * (turn % 2)))
        session.wait(0.4)
        session.motion(b"ID?\r")
        session.motion(b"1 LI?\r")
        session.meter(b"*IDN?\n")
    return [(event.fault, event.what, event.who, event.count) for event in session.bench.events]


def let_pass(session: Session) -> tuple[list[tuple[str, str]], list[float]]:
    """Wait; what came, and when."""
    session.wait(session.bench.start_s + WITHIN_S - session.bench.clock.now())
    events = [event for event in session.bench.events if event.time_s <= WITHIN_S]
    return [(event.fault, event.what) for event in events], [event.time_s for event in events]


def move_and_read(session: Session) -> dict[str, tuple[list[tuple[str, str]], list[float]]]:
    """Play what has its time from a move, a reading or a query; what came after each, and when."""
    for command in (b"4 MA 0.01\r", b"4 MA 0.30\r"):
        session.motion(command)
        session.wait(1.0)
    session.motion(b"ID?\r")
    session.meter(b"READ?\n")
    session.meter(b"READ?\n")
    session.wait(0.6)
    came = {}
    for first, names in FROM.items():
        events = [event for event in session.bench.events if event.fault in names]
        assert events[0].fault == first
        since_s = [event.time_s - events[0].time_s for event in events]
        came[first] = [(event.fault, event.what) for event in events], since_s
    return came


def test_what_is_counted_is_the_same_virtual_and_real(
    description: BenchDescription, pseudo_terminals: bool
) -> None:
    virtual = in_process(description, COUNTED)
    account = count(virtual)
    assert {fault for fault, *_ in account} >= {"mode-hop", "stick", "duplicated-reply"}
    with served(description, COUNTED, pseudo_terminals=pseudo_terminals) as real:
        assert count(real) == account
    assert real.heard == virtual.heard
    assert json.loads(json.dumps(real.bench.truth_report()["events"]))[0]["fault"]


def test_what_has_a_time_comes_at_that_time_virtual_and_real(
    description: BenchDescription, pseudo_terminals: bool
) -> None:
    order, times = let_pass(in_process(description, TIMED))
    at = dict(zip(order, times, strict=True))
    assert at["mode-hop", "begins"] == pytest.approx(0.3, abs=ROUNDING_S)
    assert at["mode-hop", "ends"] == pytest.approx(0.5, abs=ROUNDING_S)
    assert at["disconnected", "ends"] == pytest.approx(0.8, abs=ROUNDING_S)
    assert order.count(("knock", "begins")) >= 2
    with served(description, TIMED, pseudo_terminals=pseudo_terminals) as real:
        real_order, real_times = let_pass(real)
    assert real_order == order
    assert real_times == pytest.approx(times, abs=ROUNDING_S)


def test_what_has_its_time_from_something_else_is_as_late_virtual_and_real(
    description: BenchDescription, pseudo_terminals: bool
) -> None:
    expected = move_and_read(in_process(description, PARTS))
    _, (_, quarter_s, three_quarters_s, _) = expected["mode-hop"]
    assert three_quarters_s == pytest.approx(3.0 * quarter_s)
    with served(description, PARTS, pseudo_terminals=pseudo_terminals) as real:
        found = move_and_read(real)
    for first, (order, since_s) in expected.items():
        assert found[first][0] == order
        assert found[first][1] == pytest.approx(since_s, abs=ROUNDING_S)
