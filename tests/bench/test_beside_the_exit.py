"""A reference meter, a thermometer, caps of a step, and what is counted on the lines."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from autocell_drivers.scpi_thermometer import temperature
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector

from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.description import Caps
from autocell.errors import BadReply, BenchFileError, BudgetError

WATCHED = shipped("peat-bog-reference")


@contextmanager
def opened(*faults: dict[str, object]) -> Iterator[tuple[Bench, SimulatedBench]]:
    description, clock = load(WATCHED), VirtualClock()
    simulated = SimulatedBench(description, 7, clock, scenario=Scenario())
    with open_bench(description, clock=clock, connect=connector(simulated)) as bench:
        bench.vouch_for(description.axes)
        simulated.begin(*faults)
        yield bench, simulated


def test_the_reference_meter_sees_the_laser_and_not_the_cell() -> None:
    with opened() as (bench, simulated):
        before = bench.read_reference("before")
        simulated.begin({"fault": "knock", "percent": 50.0})
        knocked = bench.read_reference("knocked")
        simulated.begin({"fault": "mode-hop", "percent": 8.0})
        hopped = bench.read_reference("hopped")
    assert before is not None
    assert knocked is not None
    assert hopped is not None
    # the simulated pick-off takes a hundredth of 8 mW, the laser within 5 % of that
    assert before.power_w == pytest.approx(80e-6, rel=0.06)
    assert knocked.power_w == pytest.approx(before.power_w, abs=6 * before.uncertainty_w)
    assert abs(hopped.power_w / before.power_w - 1.0) == pytest.approx(0.08, abs=0.01)


def test_the_thermometer_reads_the_base() -> None:
    with opened() as (bench, _):
        assert bench.read_temperature_c("now") == pytest.approx(21.0, abs=0.1)


def test_a_bench_without_them_has_neither() -> None:
    description, clock = load(shipped("peat-bog")), VirtualClock()
    simulated = SimulatedBench(description, 7, clock)
    with open_bench(description, clock=clock, connect=connector(simulated)) as bench:
        assert bench.read_reference("none") is None
        assert bench.read_temperature_c("none") is None
        assert bench.usage.readings == 0


@pytest.mark.parametrize(
    ("right", "wrong", "message"),
    [
        ("device: probe", "device: meter", "measures no temperature"),
        ("device: reference", "device: motion", "is a motion controller"),
        ("device: probe", "device: prob", "there is no device 'prob'"),
    ],
)
def test_another_device_in_its_place_is_refused_with_its_line(
    right: str, wrong: str, message: str, tmp_path: Path
) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(WATCHED.read_text("utf-8").replace(right, wrong), "utf-8")
    (tmp_path / "plain-motion.yaml").write_bytes(
        (WATCHED.parent / "plain-motion.yaml").read_bytes()
    )

    def open_it() -> None:
        clock = VirtualClock()
        simulated = SimulatedBench(load(WATCHED), 7, clock)
        with open_bench(load(path), clock=clock, connect=connector(simulated)):
            pass

    with pytest.raises(BenchFileError, match=message) as refused:
        open_it()
    assert str(path) in str(refused.value)


def test_a_step_has_caps_of_its_own_and_the_run_goes_on_after_it() -> None:
    with opened() as (bench, _):
        bench.read_power("before")
        step = Caps(moves=2, readings=1, travel_m=1.0, time_s=1e6)
        with bench.allowance(step):
            bench.read_power("within")
            with pytest.raises(BudgetError, match="readings"):
                bench.read_power("one too many")
            with bench.reserve():
                bench.read_power("on the reserve")
        bench.read_power("after")


def test_the_caps_of_the_run_hold_within_a_step_too() -> None:
    description = load(WATCHED)
    tight = dataclasses.replace(description, caps=dataclasses.replace(description.caps, readings=3))
    clock = VirtualClock()
    simulated = SimulatedBench(tight, 7, clock)
    generous = Caps(moves=1000, readings=1000, travel_m=10.0, time_s=1e6)
    with (
        open_bench(tight, clock=clock, connect=connector(simulated)) as bench,
        bench.allowance(generous),
    ):
        bench.measure_dark()
        bench.read_power("one")
        bench.read_power("two")
        with pytest.raises(BudgetError, match="cap of 3"):
            bench.read_power("one too many")


def test_both_ends_of_every_leg_count_as_travel() -> None:
    with opened() as (bench, _):
        began = bench.positions()["spacing"]
        bench.move_axes({"spacing": began + 2e-3}, "there")
        bench.move_axes({"spacing": began}, "back")
        gone = bench.travelled["spacing"]
        assert gone >= 4e-3
        assert gone == pytest.approx(bench.usage.travel_m, abs=1e-12)
        assert bench.last_positions()["spacing"] == pytest.approx(began, abs=5e-6)


def test_what_is_asked_again_is_counted() -> None:
    with opened() as (calm, _):
        calm.read_power("calm")
        assert calm.troubles.retries == calm.troubles.errors == 0
    with opened({"fault": "lost-reply", "device": "meter", "when": {"query": 2}}) as (bench, _):
        bench.read_power("through a line that loses a reply")
        assert bench.troubles.retries >= 1
        assert bench.troubles.errors >= 1


def test_replies_of_a_thermometer() -> None:
    assert temperature(b"2.15E+01") == 21.5
    assert math.isnan(temperature(b"9.91E37"))  # not a number, SCPI-1999 volume 1, 7.2.1.5
    with pytest.raises(BadReply, match="kelvin"):
        temperature(b"294.65")
