"""The drivers through a line that fails, in front of our simulated bench and of somebody else's
instrument: the same result as without, only later."""

from __future__ import annotations

import contextlib

import pytest
from autocell_drivers import ascii_motion
from autocell_drivers.transports import connect
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.proxy import proxied
from autocell_simulators.serving import serve as serve_bench

from autocell.bench.clock import RealClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.errors import DeviceError, MotionError, NoReply
from tests.drivers.other_programs import HERE, example_motor

pytestmark = pytest.mark.thorough

CLOCK = RealClock()
AXIS = {"device": "motion", "channel": 1, "limits_mm": [0, 250], "repeatability_mm": 0.001}
FAULTS = ("late-reply", "lost-reply", "duplicated-reply", "truncated-reply", "lost-command")
FOR_A_WHILE = (
    {"fault": "silent", "for_s": 0.5},
    {"fault": "silent", "hears": False, "for_s": 0.5},
    {"fault": "slow-line", "bytes_per_s": 100.0, "for_s": 3.0},
)


def at_queries(fault, numbers, **sizes):
    return [
        {"fault": fault, "device": "instrument", "when": {"query": n}, **sizes} for n in numbers
    ]


@pytest.fixture(scope="module")
def motor_address():
    with example_motor() as port:
        yield f"socket://127.0.0.1:{port}"


@contextlib.contextmanager
def motor_axis(address):
    section = {
        "driver": "ascii-motion",
        "address": address,
        "identity": "i",
        "dialect": "lewis-example-motor.yaml",
        "path": str(HERE),
    }
    device = ascii_motion.open_device(section, CLOCK, connect)
    try:
        yield device.axis("spacing", AXIS)
    finally:
        device.close()


def go(axis, target):
    deadline = CLOCK.now() + 60.0
    axis.start_move(target)
    while axis.moving():
        assert CLOCK.now() < deadline
        CLOCK.sleep(0.02)


@pytest.mark.parametrize("fault", FAULTS)
def test_axis_of_somebody_else_ends_where_it_was_sent(motor_address, fault):
    with proxied(motor_address) as proxy, motor_axis(proxy.address) as axis:
        proxy.begin(*at_queries(fault, range(3, 200, 7)))
        here = axis.position()
        for step in (0.4e-3, 0.2e-3, 0.3e-3):
            target = here + step if here < 0.1 else here - step
            go(axis, target)
            assert [axis.position() for _ in range(5)] == pytest.approx([target] * 5, abs=1e-7)
        assert proxy.events


@pytest.mark.parametrize("fault", FOR_A_WHILE, ids=["silent", "deaf", "slow"])
def test_axis_of_somebody_else_outlasts_a_line_that_is_bad_for_a_while(motor_address, fault):
    with proxied(motor_address) as proxy, motor_axis(proxy.address) as axis:
        here = axis.position()
        target = here + 0.3e-3 if here < 0.1 else here - 0.3e-3
        proxy.begin({"device": "instrument", **fault})
        go(axis, target)
        assert axis.position() == pytest.approx(target, abs=1e-7)
        assert proxy.events


def test_line_that_stays_silent_is_no_reply_and_a_stop_is_sent_all_the_same(motor_address):
    with proxied(motor_address) as proxy, motor_axis(proxy.address) as axis:
        here = axis.position()
        axis.start_move(here + 50e-3 if here < 0.1 else here - 50e-3)
        proxy.begin({"fault": "silent", "device": "instrument"})
        with pytest.raises(NoReply):
            axis.position()
        with pytest.raises(NoReply):
            axis.stop()
        assert proxy.end("silent") == 1
        assert not axis.moving()
        assert 1e-4 < abs(axis.position() - here) < 49e-3


def test_garbled_commands_end_in_an_error_of_ours_or_where_the_axis_was_sent(motor_address):
    with proxied(motor_address) as proxy, motor_axis(proxy.address) as axis:
        go(axis, 10e-3)
        proxy.begin(*at_queries("garbled-command", range(3, 400, 5)))
        arrived = 0
        for turn in range(8):
            target = 10e-3 + 0.1e-3 * turn
            with contextlib.suppress(DeviceError):
                axis.start_move(target)
                deadline = CLOCK.now() + 2.0
                while axis.moving() and CLOCK.now() < deadline:
                    CLOCK.sleep(0.02)
                arrived += abs(axis.position() - target) < 1e-7
                axis.stop()  # it may have been sent far away
        assert proxy.events
        assert arrived
        proxy.end("garbled-command")
        axis.stop()
        go(axis, 10e-3)
        assert axis.position() == pytest.approx(10e-3, abs=1e-7)


def test_line_that_goes_for_a_while_is_waited_for(motor_address):
    with proxied(motor_address) as proxy, motor_axis(proxy.address) as axis:
        here = axis.position()
        proxy.begin({"fault": "disconnected", "device": "instrument", "for_s": 1.0})
        assert axis.position() == pytest.approx(here, abs=1e-7)
        go(axis, here + 0.3e-3)
        assert axis.position() == pytest.approx(here + 0.3e-3, abs=1e-7)
        assert proxy.events


def test_garbled_replies_are_never_more_than_an_error_of_ours(motor_address):
    with proxied(motor_address) as proxy, motor_axis(proxy.address) as axis:
        proxy.begin(*at_queries("garbled-reply", range(3, 400, 3), bits=2))
        for _ in range(40):
            with contextlib.suppress(DeviceError):
                axis.position()
        assert proxy.events


def test_garbled_command_to_a_bench_is_bounded_by_its_controller(tmp_path):
    """It may name another axis or another target: none beyond the travel is obeyed, and an axis
    that is not where it was sent, or was not sent, is an error of ours."""
    simulated = SimulatedBench(load(shipped("peat-bog")), 7, CLOCK)
    with contextlib.ExitStack() as running:
        served = running.enter_context(serve_bench(simulated, pseudo_terminals=False))
        address = served.addresses["motion"]
        proxy = running.enter_context(proxied(address, seed=3))
        text = served.bench_file_text().replace(address, proxy.address)
        (tmp_path / "bench.yaml").write_text(text, "utf-8")
        bench = running.enter_context(open_bench(load(tmp_path / "bench.yaml"), clock=CLOCK))
        before = bench.positions()
        proxy.begin(*at_queries("garbled-command", range(5, 2000, 15)))
        axes = bench.description.axes
        for turn in range(8):
            targets = {"spacing": before["spacing"] + 0.1e-3 * (turn % 3)}
            try:
                bench.move_axes(targets, "through a line that garbles")
            except (DeviceError, MotionError):
                continue
            with simulated.present():
                near = 3.0 * axes["spacing"].repeatability
                assert simulated.axes["spacing"].counter == pytest.approx(
                    targets["spacing"], abs=near
                )
        assert proxy.events
        with simulated.present():
            for name, axis in simulated.axes.items():
                play = axis.traits.beyond + axis.traits.backlash + 6.0 * axis.traits.repeatability
                assert axes[name].low - play <= axis.true_position <= axes[name].high + play


@pytest.mark.parametrize("fault", FAULTS)
def test_bench_moves_and_reads_the_same_through_failing_lines(fault, tmp_path):
    simulated = SimulatedBench(load(shipped("peat-bog")), 7, CLOCK)
    simulated.truth_report()
    with contextlib.ExitStack() as running:
        served = running.enter_context(serve_bench(simulated, pseudo_terminals=False))
        text = served.bench_file_text()
        for address in served.addresses.values():
            proxy = running.enter_context(proxied(address))
            proxy.begin(*at_queries(fault, range(20, 2000, 40)))
            text = text.replace(address, proxy.address)
        (tmp_path / "bench.yaml").write_text(text, "utf-8")
        bench = running.enter_context(open_bench(load(tmp_path / "bench.yaml"), clock=CLOCK))
        before = bench.positions()
        for step in (0.2e-3, -0.1e-3):
            targets = {"spacing": before["spacing"] + step, "pitch": before["pitch"] - step}
            bench.move_axes(targets, "through a failing line")
            for name, target in targets.items():
                near = 3.0 * bench.description.axes[name].repeatability
                assert bench.positions()[name] == pytest.approx(target, abs=near)
            reading = bench.read_power("through a failing line")
            assert reading.power_w > 0.0
        report = simulated.truth_report()
    assert report["limit_violations"] == 0
