"""The whole bench on the simulated one: in process on a virtual clock, and over a real
pseudo-terminal and socket where a signal has to stop what moves."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.alone import alone
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector
from autocell_simulators.serving import serve

from autocell.bench.bench import Bench
from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.bench.protocols import Line, Transport
from autocell.bench.stopping import stop_on_signals
from autocell.bench.trust import Trust
from autocell.description import BenchDescription
from autocell.errors import (
    BenchFileError,
    Busy,
    Disconnected,
    LimitError,
    MotionError,
    ReadingError,
    Stopped,
    UsageError,
    WrongIdentity,
)
from tests.bench.conftest import MemoryJournal

PEAT_BOG = load(shipped("peat-bog"))


class Simulation:
    """A simulated bench in process, and what opens it."""

    def __init__(
        self, start: str = "six-pass", seed: int = 7, scenario: Scenario | None = None
    ) -> None:
        self.clock = VirtualClock()
        self.truth = SimulatedBench(PEAT_BOG, seed, self.clock, start=start, scenario=scenario)
        self.journal = MemoryJournal()


@contextmanager
def opened(simulation: Simulation, description: BenchDescription = PEAT_BOG) -> Iterator[Bench]:
    with open_bench(
        description,
        clock=simulation.clock,
        connect=connector(simulation.truth),
        journal=simulation.journal,
    ) as bench:
        yield bench


def test_opening_tells_identities_and_moves_nothing() -> None:
    simulation = Simulation()
    with opened(simulation) as bench:
        assert "PLAIN-MOTION" in bench.identities["motion"]
        assert "POWER-METER" in bench.identities["meter"]
        assert bench.setting.spacing_m == pytest.approx(0.250, abs=1e-6)
        assert set(bench.trust().values()) == {Trust.KNOWN}
        assert bench.plan(bench.setting) == []
    report = simulation.truth.truth_report()
    assert report["moves"] == 0


def test_a_move_ends_where_it_was_sent_and_true_backlash_is_out() -> None:
    simulation = Simulation()
    axis = PEAT_BOG.axes["spacing"]
    true_positions = []
    with opened(simulation) as bench:
        wanted = bench.setting.at_spacing(0.230)
        for detour in (0.226, 0.238):
            bench.move_to(wanted.at_spacing(detour), "detour")
            back = bench.move_to(wanted, "back")
            assert back.spacing_m == pytest.approx(0.230, abs=3e-6)
            true_positions.append(simulation.truth.true_positions()["spacing"])
    assert abs(true_positions[0] - true_positions[1]) < 6 * axis.repeatability
    assert abs(true_positions[0] - true_positions[1]) < axis.backlash


def test_a_setting_moves_every_axis_it_needs_and_reads_back() -> None:
    simulation = Simulation()
    with opened(simulation) as bench:
        start = bench.setting
        wanted = replace(
            start, spacing_m=0.221, slope_x=start.slope_x + 0.004, y_m=start.y_m - 0.0005
        )
        reached = bench.move_to(wanted, "test")
        np.testing.assert_allclose(reached.as_array(), wanted.as_array(), atol=35e-6)
        assert bench.return_home() == bench.setting
        np.testing.assert_allclose(bench.setting.as_array(), start.as_array(), atol=35e-6)
    assert simulation.truth.truth_report()["limit_violations"] == 0
    assert {outcome for _, outcome in simulation.journal.endings.values()} == {"arrived"}


def test_a_reading_is_the_light_above_the_dark_level_with_an_honest_uncertainty() -> None:
    simulation = Simulation()
    with opened(simulation) as bench:
        readings = [bench.read_power("test") for _ in range(40)]
        usage = bench.usage
    powers_w = np.array([reading.power_w for reading in readings])
    stated_w = np.mean([reading.uncertainty_w for reading in readings])
    assert np.std(powers_w) < 1.5 * stated_w
    assert stated_w < 0.004 * np.mean(powers_w)
    assert usage.readings == 41  # and the dark level
    assert usage.moves == 0
    assert [purpose for _, purpose in simulation.journal.readings] == ["test"] * 40
    assert readings[-1].time_s <= usage.elapsed_s
    # six passes: five reflections, F16, laser ± 5 % and 0.985 ± 0.003
    expected_w = PEAT_BOG.laser.power_w * 0.985**5
    assert np.mean(powers_w) == pytest.approx(expected_w, rel=0.10)


def test_in_the_dark_a_reading_is_zero_within_its_uncertainty() -> None:
    with opened(Simulation(start="dark")) as bench:
        reading = bench.read_power("test")
    assert abs(reading.power_w) < 5 * reading.uncertainty_w


def test_a_move_beyond_the_limits_reaches_no_controller() -> None:
    simulation = Simulation()
    with opened(simulation) as bench:
        with pytest.raises(LimitError, match="spacing"):
            bench.move_to(bench.setting.at_spacing(0.2099), "too near")
        with pytest.raises(LimitError, match="spacing"):
            bench.plan(bench.setting.at_spacing(0.2601))
    report = simulation.truth.truth_report()
    assert (report["moves"], report["limit_violations"]) == (0, 0)
    assert simulation.journal.moves == []


def test_a_setting_no_axis_gives_is_refused() -> None:
    axes = {name: axis for name, axis in PEAT_BOG.axes.items() if name != "vertical"}
    description = replace(PEAT_BOG, axes=axes)
    with opened(Simulation(), description) as bench:
        wanted = replace(bench.setting, y_m=0.001)
        with pytest.raises(UsageError, match="y_m"):
            bench.move_to(wanted, "test")


def test_a_power_cycled_controller_is_not_believed() -> None:
    simulation = Simulation(start="power-cycled")
    with opened(simulation) as bench:
        assert set(bench.trust().values()) == {Trust.LOST}
        assert any("no reference" in note for note in bench.notes)
        with pytest.raises(MotionError, match="position is lost"):
            bench.move_to(bench.setting.at_spacing(0.230), "test")
    assert simulation.truth.truth_report()["moves"] == 0


def test_an_axis_that_a_crash_left_moving_is_stopped_at_opening() -> None:
    simulation = Simulation()
    simulation.truth.axes["spacing"].move_to(0.010)
    simulation.clock.sleep(1.0)
    with opened(simulation) as bench:
        assert any("it was moving" in note for note in bench.notes)
        assert bench.trust()["spacing"] is Trust.ESTIMATED
        assert not simulation.truth.axes["spacing"].in_motion
        assert bench.positions()["spacing"] > 0.030
        bench.move_to(bench.setting.at_spacing(0.240), "test")
        assert bench.trust()["spacing"] is Trust.KNOWN


def test_an_axis_in_fault_is_not_believed() -> None:
    simulation = Simulation()
    simulation.truth.axes["yaw"].faulted = True
    with opened(simulation) as bench:
        assert bench.trust()["yaw"] is Trust.LOST
        assert any("fault" in note for note in bench.notes)


def test_a_power_cycle_between_two_readings_is_noticed_at_the_second() -> None:
    simulation = Simulation()
    with opened(simulation) as bench:
        bench.read_power("before")
        for axis in simulation.truth.axes.values():
            axis.power_cycle()
        with pytest.raises(MotionError, match="although nothing was sent"):
            bench.read_power("after")
    assert [purpose for _, purpose in simulation.journal.readings] == ["before"]


def test_a_saturated_meter_names_the_cure() -> None:
    description = replace(PEAT_BOG, meter=replace(PEAT_BOG.meter, range_w=1e-3))
    with opened(Simulation(), description) as bench, pytest.raises(ReadingError, match="range_mw"):
        bench.read_power("test")


def test_a_meter_with_a_flat_top_is_read_in_its_next_range() -> None:
    with opened(Simulation()) as bench:
        seen_whole = bench.read_power("test")
    assert seen_whole.power_w > 6.5e-3
    simulation = Simulation(scenario=alone("saturation", PEAT_BOG))
    with opened(simulation) as bench:
        reading = bench.read_power("test")
        assert simulation.truth.meter.range_w == pytest.approx(0.1)
        assert reading.power_w == pytest.approx(seen_whole.power_w, rel=0.01)
        assert "power_meter.range_mw: 100" in bench.meter_findings[0]
    assert ("metering", bench.meter_findings[0]) in simulation.journal.events


@pytest.mark.parametrize(
    ("device", "changes", "error"),
    [
        ("meter", {"identity": "SOMETHING-ELSE"}, WrongIdentity),
        ("meter", {"address": "TCPIP::192.0.2.99::1::SOCKET"}, Disconnected),
        ("meter", {"bauds": 9600}, BenchFileError),
        ("motion", {"dialect": "no-such.yaml"}, BenchFileError),
    ],
)
def test_what_cannot_be_opened_is_named_and_the_rest_let_go(
    tmp_path: Path, device: str, changes: dict[str, object], error: type[Exception]
) -> None:
    simulation = Simulation()
    changed = PEAT_BOG.devices[device]
    section = {**changed.section, **changes}
    changed = replace(
        changed,
        section=section,
        identity=str(section["identity"]),
        address=str(section["address"]),
    )
    description = replace(PEAT_BOG, devices={**PEAT_BOG.devices, device: changed})
    connect = connector(simulation.truth)
    with (
        pytest.raises(error),
        open_bench(description, clock=simulation.clock, connect=connect),
    ):
        pytest.fail("the bench was opened")
    with open_bench(PEAT_BOG, clock=simulation.clock, connect=connect) as bench:
        assert bench.positions()


def test_a_driver_that_is_not_installed_is_named_by_file_and_line() -> None:
    missing = replace(PEAT_BOG.devices["meter"], driver="no-such-driver")
    description = replace(PEAT_BOG, devices={**PEAT_BOG.devices, "meter": missing})
    with pytest.raises(BenchFileError) as refusal, opened(Simulation(), description):
        pytest.fail("the bench was opened")
    text = str(refusal.value)
    assert text.startswith(f"{PEAT_BOG.path}:")
    assert "devices.meter.driver" in text
    assert "scpi-power-meter" in text


def test_limits_wider_than_the_travel_of_the_controller_are_refused() -> None:
    axis = replace(PEAT_BOG.axes["spacing"], high=0.060)
    description = replace(PEAT_BOG, axes={**PEAT_BOG.axes, "spacing": axis})
    with (
        pytest.raises(BenchFileError, match=r"axes\.spacing\.limits_mm: .*50\.0000 mm"),
        opened(Simulation(), description),
    ):
        pytest.fail("the bench was opened")


def test_limits_narrower_than_the_travel_of_the_controller_are_noted() -> None:
    axis = replace(PEAT_BOG.axes["spacing"], high=0.045)
    description = replace(PEAT_BOG, axes={**PEAT_BOG.axes, "spacing": axis})
    with opened(Simulation(), description) as bench:
        assert any("limits it further" in note for note in bench.notes)


def test_a_start_that_cannot_be_approached_comes_home_to_the_nearest_that_can() -> None:
    simulation = Simulation()
    simulation.truth.axes["spacing"].place(0.0)
    with opened(simulation) as bench:
        assert any("undoing ends at" in note for note in bench.notes)
        bench.move_to(bench.setting.at_spacing(0.215), "out")
        home = bench.return_home()
        assert home.spacing_m == pytest.approx(0.210 + PEAT_BOG.axes["spacing"].reach[0], abs=3e-6)


def test_a_bench_has_one_owner() -> None:
    simulation = Simulation()
    connect = connector(simulation.truth)
    with (
        open_bench(PEAT_BOG, clock=simulation.clock, connect=connect),
        pytest.raises(Busy),
        open_bench(PEAT_BOG, clock=simulation.clock, connect=connect),
    ):
        pytest.fail("the bench was opened twice")


def test_an_error_in_a_procedure_leaves_every_axis_stopped() -> None:
    simulation = Simulation()

    def broken_procedure(bench: Bench) -> None:
        bench.move_to(bench.setting.at_spacing(0.240), "test")
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError), opened(simulation) as bench:
        broken_procedure(bench)
    assert ("stop", "every axis was told to stop") in simulation.journal.events
    assert not any(axis.in_motion for axis in simulation.truth.axes.values())


@contextmanager
def served(
    tmp_path: Path, *, pseudo_terminals: bool | None = None
) -> Iterator[tuple[SimulatedBench, BenchDescription]]:
    truth = SimulatedBench(PEAT_BOG, 7, RealClock())
    with serve(truth, pseudo_terminals=pseudo_terminals) as lines:
        yield truth, load(lines.write_bench_file(tmp_path / "served.yaml"))


def move_far(bench: Bench, truth: SimulatedBench, then: Callable[[], None]) -> None:
    """Move three axes a long way, and do ``then`` as soon as all three truly move."""
    axes = [truth.axes[name] for name in ("spacing", "yaw", "horizontal")]

    def watch() -> None:
        for _ in range(1000):
            if all(axis.in_motion for axis in axes):
                then()
                return
            time.sleep(0.01)

    thread = threading.Thread(target=watch, daemon=True)
    thread.start()
    far = bench.setting.at_spacing(0.2101)
    bench.move_to(replace(far, slope_x=-0.030, x_m=0.0215), "a long way")


def test_over_real_lines_the_bench_moves_and_reads_as_in_process(tmp_path: Path) -> None:
    with served(tmp_path) as (_, description), open_bench(description, clock=RealClock()) as bench:
        reached = bench.move_to(bench.setting.at_spacing(0.2505), "test")
        assert reached.spacing_m == pytest.approx(0.2505, abs=3e-6)
        reading = bench.read_power("test")
    assert reading.power_w == pytest.approx(PEAT_BOG.laser.power_w * 0.985**5, rel=0.10)


def test_over_a_serial_port_by_tcp_nothing_changes(tmp_path: Path) -> None:
    with (
        served(tmp_path, pseudo_terminals=False) as (_, description),
        open_bench(description, clock=RealClock()) as bench,
    ):
        reached = bench.move_to(bench.setting.at_spacing(0.2501), "test")
    assert reached.spacing_m == pytest.approx(0.2501, abs=3e-6)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_every_axis_on_a_real_line(tmp_path: Path, number: signal.Signals) -> None:
    journal = MemoryJournal()
    with served(tmp_path) as (truth, description):
        with (
            pytest.raises(Stopped, match=number.name),
            stop_on_signals(),
            open_bench(description, clock=RealClock(), journal=journal) as bench,
        ):
            move_far(bench, truth, lambda: os.kill(os.getpid(), number))
        at_rest = truth.true_positions()
        assert not any(axis.in_motion for axis in truth.axes.values())
        assert at_rest["spacing"] > 0.030, "the stage must not have run on"
        time.sleep(0.2)
        assert truth.true_positions() == at_rest
    assert {outcome for _, outcome in journal.endings.values()} == {"stopped"}
    assert len(journal.endings) == 3
    # where the journal says it came to rest is where it rests
    spacing = next(n for n, (name, *_) in enumerate(journal.moves) if name == "spacing")
    assert journal.endings[spacing][0] == pytest.approx(at_rest["spacing"], abs=20e-6)


def test_a_stop_from_another_thread_stops_a_move_on_a_real_line(tmp_path: Path) -> None:
    with served(tmp_path) as (truth, description):
        with pytest.raises(Stopped), open_bench(description, clock=RealClock()) as bench:
            move_far(bench, truth, bench.request_stop)
        assert not truth.axes["spacing"].in_motion
        assert truth.true_positions()["spacing"] > 0.030


def test_what_a_crash_left_moving_is_stopped_even_if_the_bench_cannot_be_opened() -> None:
    simulation = Simulation()
    whole = connector(simulation.truth)
    motion, meter = PEAT_BOG.devices["motion"].address, PEAT_BOG.devices["meter"].address
    line = Line(simulation.clock)
    crashed = whole(motion, line)
    crashed.write(b"1 MA 0.00000\r")  # 40 mm away: eight seconds
    crashed.read_until(b"\r\n", simulation.clock.now() + 1.0)
    simulation.clock.sleep(1.0)
    crashed.close()

    def meter_gone(address: str, line: Line) -> Transport:
        if address == meter:
            raise Disconnected("nobody is there")
        return whole(address, line)

    silent = open_bench(PEAT_BOG, clock=simulation.clock, connect=meter_gone)
    with pytest.raises(Disconnected), silent:
        pass
    simulation.clock.sleep(0.5)  # room to brake
    at_rest = simulation.truth.true_positions()["spacing"]
    assert at_rest > 0.02
    simulation.clock.sleep(20.0)
    assert simulation.truth.true_positions()["spacing"] == at_rest


def test_an_axis_found_moving_is_told_and_written_down() -> None:
    simulation = Simulation()
    crashed = connector(simulation.truth)(
        PEAT_BOG.devices["motion"].address, Line(simulation.clock)
    )
    crashed.write(b"1 MA 0.00000\r")
    simulation.clock.sleep(1.0)
    crashed.close()
    with opened(simulation) as bench:
        assert any("it was moving" in finding for finding in bench.findings)
    assert any("it was moving" in text for _kind, text in simulation.journal.events)


def test_an_interrupt_during_the_stop_for_another_error_still_stops_every_axis() -> None:
    told: list[str] = []

    class Interrupted:
        """An axis whose first stop is interrupted before it does anything."""

        def __init__(self, name: str) -> None:
            self.name = name

        def stop(self) -> None:
            if not told:
                told.append("interrupt")
                os.kill(os.getpid(), signal.SIGINT)
                time.sleep(0.05)
            told.append(self.name)

    def break_down() -> None:
        simulation = Simulation()
        with stop_on_signals(), opened(simulation) as bench:
            axes = {name: Interrupted(name) for name in PEAT_BOG.axes}
            bench._guard._axes.update(axes)  # type: ignore[arg-type]
            raise RuntimeError("something else went wrong")

    with pytest.raises(Stopped):
        break_down()
    assert set(told) >= set(PEAT_BOG.axes)


def test_no_line_is_opened_before_every_section_is_found_good(tmp_path: Path) -> None:
    text = shipped("peat-bog").read_text("utf-8")
    assert text.count("driver: scpi-power-meter") == 1
    odd = text.replace("driver: scpi-power-meter", "driver: scpi-power-meter\n    colour: blue")
    path = tmp_path / "odd.yaml"
    path.write_text(odd, "utf-8")
    (tmp_path / "plain-motion.yaml").write_bytes(shipped("plain-motion.yaml").read_bytes())
    asked: list[str] = []

    def connect(address: str, line: Line) -> Transport:
        asked.append(address)
        raise Disconnected("nobody is there")

    with (
        pytest.raises(BenchFileError, match="colour"),
        open_bench(load(path), clock=VirtualClock(), connect=connect),
    ):
        pass
    assert asked == []
