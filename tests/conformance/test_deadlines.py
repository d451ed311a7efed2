"""How long a silent instrument is asked follows from what its dialect or its driver states.

By the virtual clock where the driver waits by the bench's; a library and a control system are
waited for in real time, and what is checked is the deadline that the error names.
"""

from __future__ import annotations

import shutil

import pytest
from autocell_drivers.conformance.rig import Rig
from autocell_drivers.transports import connect
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.file import load, shipped
from autocell.errors import NoReply
from tests.conformance import laboratory
from tests.conformance.conftest import epics_bench, gcode_bench, python_bench
from tests.drivers.other_programs import epics_base, free_port, looking_at


def in_process(path):
    clock = VirtualClock()
    return Rig(load(path), clock, connector(SimulatedBench(load(path), 7, clock)))


def silent_for(rig, ask):
    """How long this took to end as NoReply, s."""
    before = rig.clock.now()
    with rig.silence(), pytest.raises(NoReply):
        ask()
    return rig.clock.now() - before


def spacing(rig):
    return rig.axis(rig.description.axes["spacing"])


@pytest.mark.parametrize(
    ("reply_ms", "asked_s"),
    [(50, 8 * 0.05), (300, 8 * 0.3), (400, 2.5), (1000, 4 * 1.0)],
)
def test_controller_is_asked_as_long_as_the_reply_time_of_its_dialect_says(
    tmp_path, reply_ms, asked_s
):
    configs = shipped("peat-bog").parent
    shutil.copy(configs / "peat-bog.yaml", tmp_path / "bench.yaml")
    dialect = (configs / "plain-motion.yaml").read_text("utf-8")
    dialect = dialect.replace("reply_time_ms: 300", f"reply_time_ms: {reply_ms}")
    (tmp_path / "plain-motion.yaml").write_text(dialect, "utf-8")
    rig = in_process(tmp_path / "bench.yaml")
    with spacing(rig) as axis:
        for ask in (axis.position, axis.moving):
            assert silent_for(rig, ask) == pytest.approx(asked_s, abs=1e-6)
            axis.position()
        assert silent_for(rig, axis.stop) == pytest.approx(reply_ms / 1e3 + asked_s, abs=1e-6)


def test_board_is_asked_for_eight_times_its_reply_time(tmp_path):
    rig = in_process(gcode_bench(tmp_path))
    with spacing(rig) as axis:
        assert silent_for(rig, axis.position) == pytest.approx(8 * 0.3, abs=1e-6)


@pytest.mark.parametrize("averaging_ms", [50, 400])
def test_meter_is_waited_for_twice_its_averaging_longer(tmp_path, averaging_ms):
    text = shipped("peat-bog").read_text("utf-8")
    assert "averaging_ms: 50" in text
    text = text.replace("averaging_ms: 50", f"averaging_ms: {averaging_ms}")
    shutil.copy(shipped("peat-bog").parent / "plain-motion.yaml", tmp_path)
    (tmp_path / "bench.yaml").write_text(text, "utf-8")
    rig = in_process(tmp_path / "bench.yaml")
    reply_s = 1.0 + 2.0 * averaging_ms / 1e3
    with rig.meter() as meter:
        asked_s = silent_for(rig, meter.read)
    assert asked_s == pytest.approx(4 * reply_s, abs=1e-6)


def test_call_of_a_library_is_waited_for_as_long_as_the_bench_file_says(tmp_path):
    path = python_bench(tmp_path)
    text = path.read_text("utf-8").replace("identity: LAB 7", "identity: LAB 7, call_s: 0.2")
    path.write_text(text, "utf-8")
    rig = Rig(load(path), RealClock(), connect)
    with (
        laboratory.silent_when_asked() as silent,
        spacing(rig) as axis,
        silent(),
        pytest.raises(NoReply, match=r"has not returned within 0\.2 s"),
    ):
        axis.position()


@pytest.mark.thorough
def test_control_system_that_hangs_is_waited_for_one_second(tmp_path):
    port = free_port()
    server = epics_base("BOG:", port)
    try:
        with looking_at([port]):
            rig = Rig(load(epics_bench(tmp_path)), RealClock(), connect)
            with spacing(rig) as axis, rig.meter() as meter:
                server.hang()
                try:
                    for ask in (axis.position, axis.moving, axis.stop, meter.read):
                        with pytest.raises(NoReply, match="was not answered in 1 s"):
                            ask()
                finally:
                    server.go_on()
    finally:
        server.stop()
