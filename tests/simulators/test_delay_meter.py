"""The simulated delay meter: what the light of every leak does to the phase, and its SCPI."""

from __future__ import annotations

import cmath
import dataclasses
import math

import numpy as np
import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.delay_meter import DelayTraits, SimulatedDelayMeter
from autocell_simulators.optics import TrueOptics
from autocell_simulators.truth import draw_truth

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.description import BenchDescription
from autocell.optics.cell import Detector
from autocell.optics.trace import trace

from .conftest import Ask, asker

C_M_PER_S = 299_792_458.0  # SI brochure, 9th edition (2019)
MODULATION_HZ = 80e6
QUIET = DelayTraits(
    noise_rad=0.0, noise_window_s=0.1, offset_rad=0.0, level_rad=0.0, bright_w=8e-3
)  # fmt: skip


@pytest.fixture(scope="module")
def with_delay() -> BenchDescription:
    return load(shipped("peat-bog-delay"))


@pytest.fixture
def phase(with_delay: BenchDescription, clock: VirtualClock) -> Ask:
    """Asks the delay meter of a fresh bench."""
    return asker(SimulatedBench(with_delay, 7, clock), clock, "phase", b"\n", b"\n")


def optics_of(description: BenchDescription, seed: int = 7) -> TrueOptics:
    return TrueOptics(description, draw_truth(description, seed))


def at(description: BenchDescription, spacing_m: float) -> dict[str, float]:
    return {"spacing": spacing_m - description.spacing_at_zero_m}


def where_two_leaks_share_the_light(optics: TrueOptics) -> dict[str, float]:
    """A spacing between two plateaus, a good part of the power on either side."""
    spacings = np.linspace(0.2325, 0.2375, 2001)
    stage = spacings - optics.description.spacing_at_zero_m
    exits = optics.exit({"spacing": stage})
    share = exits.passes_power / exits.path_power
    return {"spacing": float(stage[np.argmin(np.abs(share - 0.6))])}


def test_on_a_plateau_the_lag_is_that_of_its_path(with_delay: BenchDescription) -> None:
    optics = optics_of(with_delay)
    six = at(with_delay, 0.250)
    exits = optics.exit(six)
    assert int(exits.passes) == 6
    turns = MODULATION_HZ * float(exits.path_length_m) / C_M_PER_S
    lag = cmath.phase(optics.modulation(six, MODULATION_HZ))
    assert math.remainder(lag - 2.0 * math.pi * turns, 2.0 * math.pi) == pytest.approx(0, abs=1e-4)


def test_between_two_plateaus_each_leak_turns_its_own_share(with_delay: BenchDescription) -> None:
    optics = optics_of(with_delay)
    place = where_two_leaks_share_the_light(optics)
    path = trace(optics.cell(place), optics.beam(place), 200)
    shares = path.leaks[:, 0]
    early, late = np.sort(np.argsort(shares)[-2:])
    assert shares[early] > 0.05
    assert shares[late] > 0.05
    # the detector of this bench collects all that leaves
    turns = MODULATION_HZ * path.path_length_m / C_M_PER_S
    lit = shares > 0.0
    expected = np.sum(shares[lit] * np.exp(2j * np.pi * turns[lit]))
    found = optics.modulation(place, MODULATION_HZ)
    assert abs(found - expected) < 1e-4
    # neither the phase of the one path nor that of the other
    for passes in (early, late):
        assert abs(cmath.phase(found / cmath.exp(2j * cmath.pi * turns[passes]))) > 0.1
    assert abs(found) < 0.99 * shares.sum()


@pytest.mark.parametrize("detector", [Detector(), Detector(1.2e-3, 0.0, 0.020, 0.0)])
def test_without_modulation_it_is_the_power_and_slow_modulation_lags_by_the_mean_path(
    with_delay: BenchDescription, detector: Detector
) -> None:
    optics = optics_of(dataclasses.replace(with_delay, detector=detector))
    place = where_two_leaks_share_the_light(optics)
    exits = optics.exit(place)
    assert optics.modulation(place, 0.0) == pytest.approx(float(exits.power), abs=2e-5)
    # to first order in f every leak adds its own delay, weighted by its power
    slow_hz = 1e3
    lag = cmath.phase(optics.modulation(place, slow_hz))
    mean_path_m = lag * C_M_PER_S / (2.0 * math.pi * slow_hz)
    per_pass_m = float(exits.path_length_m / exits.passes)
    assert mean_path_m == pytest.approx(float(exits.mean_passes) * per_pass_m, rel=1e-3)


def test_stray_light_follows_no_path_and_pulls_towards_no_lag(
    with_delay: BenchDescription,
) -> None:
    stray = dataclasses.replace(with_delay, detector=Detector(stray_fraction=0.05))
    six = at(with_delay, 0.2532)  # a lag of about 2.5 rad
    clean = optics_of(with_delay).modulation(six, MODULATION_HZ)
    assert optics_of(stray).modulation(six, MODULATION_HZ) == pytest.approx(clean + 0.05)


def test_a_delay_meter_beside_it_changes_no_draw_and_no_power_reading(
    description: BenchDescription, with_delay: BenchDescription
) -> None:
    readings = []
    for bench in (description, with_delay):
        clock = VirtualClock()
        simulated = SimulatedBench(bench, 7, clock)
        meter = asker(simulated, clock, "meter", b"\n", b"\n")
        readings.append([meter("READ?") for _ in range(5)])
        if simulated.delay_meter is not None:
            asker(simulated, clock, "phase", b"\n", b"\n")("READ?")
        readings[-1].append(meter("READ?"))
    assert readings[0][:5] == readings[1][:5]
    # the laser drifts a little while the delay meter reads
    assert float(readings[0][5]) == pytest.approx(float(readings[1][5]), rel=1e-7)
    assert draw_truth(description, 7) == draw_truth(with_delay, 7)


def read(meter: SimulatedDelayMeter, light_w: complex) -> float:
    meter.begin(0.0)
    while meter.next_sample_s is not None:
        meter.take(light_w)
    assert meter.last_rad is not None
    return meter.last_rad


def test_noise_and_offset_are_those_of_its_traits() -> None:
    traits = dataclasses.replace(QUIET, noise_rad=5e-3, offset_rad=0.7)
    meter = SimulatedDelayMeter(traits, np.random.default_rng(3))
    phases = [read(meter, cmath.rect(5e-3, 0.4)) for _ in range(2000)]
    assert np.mean(phases) == pytest.approx(1.1, abs=5e-4)
    assert np.std(phases) == pytest.approx(5e-3, rel=0.06)
    meter.averages = 400
    phases = [read(meter, cmath.rect(5e-3, 0.4)) for _ in range(2000)]
    assert np.std(phases) == pytest.approx(2.5e-3, rel=0.06)


def test_less_light_turns_the_phase_by_its_dependence_on_the_level() -> None:
    meter = SimulatedDelayMeter(dataclasses.replace(QUIET, level_rad=0.01), np.random.default_rng())
    bright, dim = read(meter, 8e-3), read(meter, 8e-3 / math.e)
    assert bright == pytest.approx(0.0, abs=1e-12)
    assert dim == pytest.approx(-0.01)


def test_too_little_light_is_no_phase() -> None:
    meter = SimulatedDelayMeter(QUIET, np.random.default_rng())
    assert math.isnan(read(meter, 0.9e-6))
    assert read(meter, 1.1e-6) == pytest.approx(0.0)


def test_the_offset_is_constant_in_a_run_and_another_on_another_bench(
    with_delay: BenchDescription,
) -> None:
    meter = with_delay.delay_meter
    assert meter is not None
    offsets = [DelayTraits.of(with_delay, meter, seed).offset_rad for seed in range(50)]
    assert DelayTraits.of(with_delay, meter, 3).offset_rad == offsets[3]
    assert len(set(offsets)) == 50
    assert min(offsets) < -2.0
    assert max(offsets) > 2.0


def test_it_answers_in_the_unit_that_it_is_told_and_falls_as_the_path_grows(
    with_delay: BenchDescription, clock: VirtualClock
) -> None:
    simulated = SimulatedBench(with_delay, 7, clock)
    phase = asker(simulated, clock, "phase", b"\n", b"\n")
    assert phase("UNIT:ANGL?") == "DEG"
    phase("SOUR:FREQ 80MHZ;*OPC?")
    degrees = float(phase("READ?"))
    radians = float(phase("UNIT:ANGL RAD;:READ?"))
    assert math.radians(degrees) == pytest.approx(radians, abs=0.03)
    assert -math.pi <= radians <= math.pi
    assert simulated.delay_meter is not None
    assert simulated.delay_meter.last_rad is not None
    shown = math.remainder(radians + simulated.delay_meter.last_rad, 2.0 * math.pi)
    assert shown == pytest.approx(0.0, abs=1e-7)


def test_what_it_modulates_with_is_what_it_was_told(phase: Ask) -> None:
    assert float(phase("SOUR:FREQ?")) == pytest.approx(10e6)
    assert float(phase("SOUR:FREQ 80MHZ;FREQ?")) == pytest.approx(80e6)
    assert float(phase("SOURCE1:FREQUENCY:CW 0.1GHZ;CW?")) == pytest.approx(100e6)
    assert phase("SOUR:FREQ 1\nSYST:ERR?") == '-222,"Data out of range"'
    assert float(phase("*RST;:SOUR:FREQ?")) == pytest.approx(10e6)


@pytest.mark.parametrize(
    ("command", "error"),
    [
        ("FETC?", '-230,"Data corrupt or stale"'),
        ("INIT;INIT", '-213,"Init ignored"'),
        ("UNIT:ANGL GON", '-224,"Illegal parameter value"'),
        ("SENS:AVER:COUN 0", '-222,"Data out of range"'),
        ("SENS:POW:WAV?", '-113,"Undefined header"'),
        ("SOUR:FREQ 80 MM", '-131,"Invalid suffix"'),
    ],
)
def test_errors_carry_the_numbers_of_scpi_1999(phase: Ask, command: str, error: str) -> None:
    # SCPI-1999 volume 2, chapter 21 [mem]
    assert phase(f"{command}\nSYST:ERR?") == error


def test_in_the_dark_it_answers_the_value_of_scpi_1999_for_no_number(
    with_delay: BenchDescription, clock: VirtualClock
) -> None:
    simulated = SimulatedBench(with_delay, 7, clock, start="dark")
    # SCPI-1999 volume 1, 7.2.1: 9.91E37 is not a number [mem]
    assert float(asker(simulated, clock, "phase", b"\n", b"\n")("READ?")) == 9.91e37


def test_its_identity_has_the_four_fields_of_ieee_488_2(phase: Ask) -> None:
    assert phase("*IDN?") == "EXAMPLE,DELAY-METER,0001,1.0"
