"""A delay meter in the bench file, opened, read, and refused with the cure where it cannot be."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector

from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.bench.protocols import Line, Transport
from autocell.description import BenchDescription
from autocell.errors import (
    BenchFileError,
    BudgetError,
    Disconnected,
    ReadingError,
    UsageError,
    WrongIdentity,
)
from tests.bench.conftest import MemoryJournal

WITH_DELAY = load(shipped("peat-bog-delay"))
TEXT = shipped("peat-bog-delay").read_text("utf-8")
Rewritten = Callable[..., Path]


@pytest.fixture
def rewritten(tmp_path: Path) -> Rewritten:
    """The shipped file with some text replaced, beside the dialect that it names."""

    def write(*changes: tuple[str, str]) -> Path:
        text = TEXT
        for old, new in changes:
            assert old in text
            text = text.replace(old, new, 1)
        dialect = WITH_DELAY.path.parent / "plain-motion.yaml"
        (tmp_path / dialect.name).write_text(dialect.read_text("utf-8"), "utf-8")
        file = tmp_path / "bench.yaml"
        file.write_text(text, "utf-8")
        return file

    return write


@contextmanager
def opened(
    description: BenchDescription = WITH_DELAY, journal: MemoryJournal | None = None
) -> Iterator[tuple[Bench, SimulatedBench]]:
    clock = VirtualClock()
    simulated = SimulatedBench(description, 7, clock)
    with open_bench(
        description, clock=clock, connect=connector(simulated), journal=journal
    ) as bench:
        yield bench, simulated


def test_values_arrive_in_si_units() -> None:
    meter = WITH_DELAY.delay_meter
    assert meter is not None
    assert meter.device == "phase"
    assert meter.modulation_hz == pytest.approx(80e6)
    assert meter.averaging_s == pytest.approx(0.1)
    assert meter.noise_rad == pytest.approx(5e-3)
    assert meter.systematic_rad == pytest.approx(10e-3)
    assert load(shipped("peat-bog")).delay_meter is None


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("modulation_mhz: 80 ", "modulation_hz: 80 ",
         "delay_meter.modulation_hz: wrong unit Hz; write modulation_mhz, with the value in MHz"),
        ("modulation_mhz: 80 ", "modulation_mhz: 0 ", "delay_meter.modulation_mhz: 0 must be more"),
        ("modulation_mhz: 80 ", "modulation_mhz: 0.01 ", "hides that; write at least 4.1 MHz"),
        ("direction: -1", "direction: up", "delay_meter.direction: 'up' is not one of 1, -1"),
        ("noise_mrad: 5 ", "noise_mrad: 0 ", "delay_meter.noise_mrad: 0 must be more than 0"),
        ("systematic_mrad: 10 ", "", "delay_meter.systematic_mrad: missing"),
        ("device: phase", "device: phases", "there is no device 'phases'; known: motion, meter"),
        ("delay_meter: ", "delaymeter: ", "did you mean delay_meter?"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_refused_with_its_place_and_cure(
    rewritten: Rewritten, old: str, new: str, complaint: str
) -> None:
    with pytest.raises(BenchFileError) as error:
        load(rewritten((old, new)))
    (told,) = str(error.value).splitlines()
    assert complaint in told


def test_the_least_modulation_is_where_two_passes_equal_three_standard_deviations(
    rewritten: Rewritten,
) -> None:
    # 2 passes at the minimum gap of 195 mm are 0.39 m; 3 √(5² + 10²) = 33.54 mrad; so at least
    # 0.03354 / 2π × 299 792 458 m/s / 0.39 m = 4.10 MHz
    for mhz, refused in (("4.0", True), ("4.2", False)):
        file = rewritten(("modulation_mhz: 80 ", f"modulation_mhz: {mhz} "))
        if refused:
            with pytest.raises(BenchFileError, match=r"write at least 4\.1 MHz"):
                load(file)
        else:
            assert load(file).delay_meter is not None


def test_opening_tells_its_identity_and_every_setting_read_back() -> None:
    with opened() as (bench, _):
        assert "DELAY-METER" in bench.identities["phase"]
        notes = "\n".join(bench.notes)
    assert "phase: SOUR:FREQ? +8.00000000E+07" in notes
    assert "phase: UNIT:ANGL? RAD" in notes


def test_a_reading_is_written_down_and_counts_as_one() -> None:
    journal = MemoryJournal()
    with opened(journal=journal) as (bench, _):
        before = bench.usage.readings
        first, second = bench.read_phase("first"), bench.read_phase("second")
        assert bench.usage.readings == before + 2
        assert first.setting == bench.setting
    assert first.uncertainty_rad == pytest.approx(5e-3 / 3.0, rel=0.8)
    assert first.phase_rad == pytest.approx(second.phase_rad, abs=6.0 * first.uncertainty_rad)
    phases = [text for kind, text in journal.events if kind == "phase"]
    assert phases[0].startswith(f"{first.phase_rad:.4f} rad, standard uncertainty")
    assert phases[0].endswith("first")


def test_a_reading_beyond_the_cap_is_refused() -> None:
    tight = replace(WITH_DELAY, caps=replace(WITH_DELAY.caps, readings=1))
    with opened(tight) as (bench, _):
        bench.read_phase("the one that is left")
        with pytest.raises(BudgetError, match=r"caps\.readings"):
            bench.read_phase("one too many")


def test_without_light_there_is_no_phase_and_the_reason_is_written_down() -> None:
    journal = MemoryJournal()
    with opened(journal=journal) as (bench, simulated):
        simulated.laser_on = False
        with pytest.raises(ReadingError, match="is there light on its detector"):
            bench.read_phase("in the dark")
    assert any(kind == "phase" and text.startswith("none") for kind, text in journal.events)


def test_a_bench_without_one_has_no_phase_to_read() -> None:
    with (
        opened(load(shipped("peat-bog"))) as (bench, _),
        pytest.raises(UsageError, match="no delay_meter"),
    ):
        bench.read_phase("none")


def test_a_device_that_measures_no_delay_is_refused_with_its_line(rewritten: Rewritten) -> None:
    description = load(rewritten(("device: phase", "device: meter")))
    line = TEXT[: TEXT.index("  device: phase")].count("\n") + 1
    plain = replace(description, delay_meter=None)
    simulated = SimulatedBench(plain, 7, clock := VirtualClock())
    with (
        pytest.raises(BenchFileError, match=rf":{line}: delay_meter.device: 'meter'.*no delay"),
        open_bench(description, clock=clock, connect=answering_all(simulated)),
    ):
        pass


def answering_all(simulated: SimulatedBench) -> Callable[[str, Line], Transport]:
    """Lines of a simulated bench; the delay meter's, which nobody uses, is that of another."""
    known = connector(simulated)
    spare = connector(SimulatedBench(WITH_DELAY, 7, simulated.clock))
    address = WITH_DELAY.devices["phase"].address

    def connect(wanted: str, line: Line) -> Transport:
        return spare(wanted, line) if wanted == address else known(wanted, line)

    return connect


def test_another_instrument_at_its_address_is_refused_and_every_line_is_closed() -> None:
    phase = replace(WITH_DELAY.devices["phase"], identity="OTHER-METER")
    section = {**phase.section, "identity": "OTHER-METER"}
    devices = {**WITH_DELAY.devices, "phase": replace(phase, section=section)}
    clock = VirtualClock()
    simulated = SimulatedBench(WITH_DELAY, 7, clock)
    lines: list[Transport] = []
    known = connector(simulated)

    def connect(address: str, line: Line) -> Transport:
        lines.append(known(address, line))
        return lines[-1]

    with (
        pytest.raises(WrongIdentity, match=r"OTHER-METER.*DELAY-METER"),
        open_bench(replace(WITH_DELAY, devices=devices), clock=clock, connect=connect),
    ):
        pass
    assert len(lines) == 3
    for line in lines:
        with pytest.raises(Disconnected, match="closed"):
            line.write(b"*IDN?\n")


def test_the_simulated_bench_tells_apart_what_it_has_apart(rewritten: Rewritten) -> None:
    both = load(rewritten(("device: phase", "device: meter")))
    with pytest.raises(UsageError, match="both power meter and delay meter"):
        SimulatedBench(both, 7, VirtualClock())
