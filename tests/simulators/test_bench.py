import dataclasses
import json
from collections.abc import Callable

import pytest
from autocell_simulators.bench import START_STATES, SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.truth import draw_truth

from autocell.bench.clock import VirtualClock
from autocell.description import BenchDescription
from autocell.errors import UsageError

Ask = Callable[[str], str]


@pytest.mark.parametrize("state", [name for name in START_STATES if name != "wrong-pass-count"])
def test_every_start_state_but_one_stands_at_six_passes(
    description: BenchDescription, clock: VirtualClock, state: str
) -> None:
    report = SimulatedBench(description, 4, clock, start=state).truth_report()
    assert report["passes"] == 6
    assert report["limit_violations"] == 0
    assert report["moves"] == 0


def test_a_power_cycled_bench_reads_zero_where_it_is_not(
    description: BenchDescription, clock: VirtualClock
) -> None:
    report = SimulatedBench(description, 4, clock, start="power-cycled").truth_report()
    assert report["counters"]["spacing"] == 0.0
    assert report["positions"]["spacing"] == pytest.approx(0.04)


def test_a_dark_bench_has_its_laser_off(description: BenchDescription, clock: VirtualClock) -> None:
    assert not SimulatedBench(description, 4, clock, start="dark").truth_report()["laser_on"]


def test_an_unknown_start_state_names_those_that_exist(
    description: BenchDescription, clock: VirtualClock
) -> None:
    with pytest.raises(UsageError, match="six-pass, aligned, knocked, power-cycled"):
        SimulatedBench(description, 4, clock, start="six-pas")


def test_a_given_truth_is_used_as_it_is(description: BenchDescription, clock: VirtualClock) -> None:
    truth = dataclasses.replace(draw_truth(description, 4), spacing_offset_m=0.5e-3)
    bench = SimulatedBench(description, truth, clock)
    assert bench.truth_report()["drawn"]["spacing_offset_m"] == 0.5e-3


@pytest.mark.parametrize(
    ("device", "change", "message"),
    [
        ("meter", {"driver": "other-meter"}, "device 'meter'.*'scpi-power-meter'.*'other-meter'"),
        ("motion", {"driver": "g-code"}, "device 'motion'.*'ascii-motion'.*'g-code'"),
        ("motion", {"section": {"dialect": "our-own.yaml"}}, "'plain-motion'.*'our-own'"),
        (
            "motion",
            {"section": {"dialect": "step-counting-motion.yaml"}},
            "no outputs, and works no shutter",
        ),
    ],
)
def test_an_instrument_that_cannot_be_simulated_is_refused(
    description: BenchDescription,
    clock: VirtualClock,
    device: str,
    change: dict[str, object],
    message: str,
) -> None:
    changed = dataclasses.replace(description.devices[device], **change)  # type: ignore[arg-type]
    other = dataclasses.replace(description, devices={**description.devices, device: changed})
    with pytest.raises(UsageError, match=message):
        SimulatedBench(other, 4, clock)


def test_a_meter_that_is_also_the_controller_is_refused(
    description: BenchDescription, clock: VirtualClock
) -> None:
    both = dataclasses.replace(
        description, meter=dataclasses.replace(description.meter, device="motion")
    )
    with pytest.raises(UsageError, match="both controller and power meter"):
        SimulatedBench(both, 4, clock)


def test_the_report_is_plain_json_with_what_a_rehearsal_needs(bench: SimulatedBench) -> None:
    report = json.loads(json.dumps(bench.truth_report(), allow_nan=False))
    assert {
        "passes", "spacing_m", "margin_low_m", "margin_high_m", "path_length_m", "drawn",
        "power_fraction", "positions", "limit_violations",
    } <= set(report)  # fmt: skip
    assert report["path_length_m"] == pytest.approx(6 * report["spacing_m"], rel=1e-3)
    assert report["spacing_m"] == pytest.approx(0.25 + bench.truth.spacing_offset_m, abs=1e-5)


def test_the_light_is_what_the_meter_reads(
    bench: SimulatedBench, meter: Ask, controller: Ask
) -> None:
    meter("SENS:POW:WAV 1654;RANG 10MW;:SENS:AVER:COUN 2000;*OPC?")
    report = bench.truth_report()
    expected_w = report["power_fraction"] * 8e-3 * bench.truth.gain
    assert float(meter("READ?")) == pytest.approx(expected_w, rel=0.004)
    controller("1 OU 0")
    assert abs(float(meter("READ?"))) < 2e-6


def test_a_reading_during_a_move_lies_between_both_ends(
    bench: SimulatedBench, meter: Ask, controller: Ask, clock: VirtualClock
) -> None:
    meter("SENS:POW:WAV 1654;RANG 10MW;:SENS:AVER:COUN 2000;*OPC?")
    before = float(meter("READ?"))
    controller("1 MA 35")
    during = float(meter("READ?"))
    clock.sleep(5.0)
    after = float(meter("READ?"))
    assert min(before, after) < during < max(before, after)


def test_refused_targets_and_switches_count_as_limit_violations(
    bench: SimulatedBench, controller: Ask, clock: VirtualClock
) -> None:
    controller("1 MA 51")
    controller("4 MA -2.5")
    assert bench.truth_report()["limit_violations"] == 2
    controller("1 MA 0")
    clock.sleep(20.0)
    report = bench.truth_report()
    assert report["limit_violations"] == 2
    assert report["smallest_gap_m"] == pytest.approx(report["spacing_m"], abs=3e-6)
    assert report["axis_counts"]["spacing"]["moves"] == 1


def test_the_smallest_gap_is_also_one_that_a_fault_has_made_and_nobody_has_looked_at(
    description: BenchDescription, clock: VirtualClock
) -> None:
    bench = SimulatedBench(description, 3, clock, scenario=Scenario())
    bench.laser_on = False
    first_m = bench.smallest_gap_m
    bench.begin({"fault": "neighbouring-pass-count"})
    clock.sleep(5.0)
    report = bench.truth_report()
    assert report["spacing_m"] < first_m - 1e-3
    assert report["smallest_gap_m"] == pytest.approx(report["spacing_m"], abs=1e-9)


def test_a_misspelt_attribute_is_an_error(bench: SimulatedBench) -> None:
    with pytest.raises(AttributeError):
        bench.lazer_on = False  # type: ignore[attr-defined]
