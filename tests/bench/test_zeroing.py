"""A meter that is zeroed in the dark and keeps its range, on the simulated bench: in process, and
where the whole has to hold, over a real socket."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from autocell_drivers import scpi_power_meter
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector
from autocell_simulators.serving import serve

from autocell.bench.bench import Bench
from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.bench.protocols import ZeroesItself
from autocell.description import BenchDescription
from autocell.errors import BenchFileError, DeviceError, ReadingError, Refused
from tests.bench.conftest import MemoryJournal

ZEROING = """  zeroing:
    {set: "SENS:CORR:COLL:ZERO", ask: "SENS:CORR:COLL:ZERO:MAGN?", largest_uw: 40}
"""
BACKGROUND_UW = 20.0


def text_of(zeroing: str = ZEROING) -> str:
    return (
        shipped("peat-bog")
        .read_text("utf-8")
        .replace("plain-motion.yaml", str(shipped("plain-motion")))
        .replace("power_meter:\n", f"power_meter:\n{zeroing}")
    )


def described(folder: Path, zeroing: str = ZEROING) -> BenchDescription:
    path = folder / "bench.yaml"
    path.write_text(text_of(zeroing), "utf-8")
    return load(path)


class Lab:
    """A simulated bench in a room that is not quite dark, and what opens it."""

    def __init__(self, description: BenchDescription, background_uw: float = BACKGROUND_UW) -> None:
        self.description = description
        self.clock = VirtualClock()
        self.bench = SimulatedBench(description, 7, self.clock, scenario=Scenario())
        self.bench.meter.trouble.background_w = background_uw * 1e-6
        self.journal = MemoryJournal()

    @contextmanager
    def opened(self) -> Iterator[Bench]:
        with open_bench(
            self.description,
            clock=self.clock,
            connect=connector(self.bench),
            journal=self.journal,
        ) as bench:
            yield bench

    def told(self, word: str) -> list[str]:
        return [text for _, text in self.journal.events if word in text]


def test_nothing_is_zeroed_that_the_bench_file_does_not_ask_for(tmp_path: Path) -> None:
    lab = Lab(described(tmp_path, ""))
    with lab.opened() as bench:
        assert bench.measure_dark().power_w > 0.9 * BACKGROUND_UW * 1e-6
    assert lab.bench.meter.zero_w == 0.0
    assert not lab.told("zeroed")


def test_a_meter_is_zeroed_once_behind_the_shutter(tmp_path: Path) -> None:
    lab = Lab(described(tmp_path))
    with lab.opened() as bench:
        assert lab.bench.meter.zero_w == 0.0  # opening alone zeroes nothing
        lit = bench.measure_dark()
        zero_w = lab.bench.meter.zero_w
        bench.measure_dark()
        assert bench.read_power("test").power_w > 0.1e-3
    assert zero_w == lab.bench.meter.zero_w
    assert zero_w == pytest.approx(BACKGROUND_UW * 1e-6, rel=0.1)
    assert abs(lit.power_w) < 1e-6
    assert len(lab.told("was zeroed in the dark: its zero is 2")) == 1
    assert lab.bench.shutter.on


def test_a_meter_that_sees_light_is_not_zeroed(tmp_path: Path) -> None:
    lab = Lab(described(tmp_path), background_uw=60.0)
    told = r"shutter closed, more than.*was not zeroed"
    with lab.opened() as bench, pytest.raises(ReadingError, match=told):
        bench.measure_dark()
    assert lab.bench.meter.zero_w == 0.0


def test_a_zero_that_was_taken_with_light_on_the_meter_is_refused(tmp_path: Path) -> None:
    lab = Lab(described(tmp_path))
    device = lab.description.devices["meter"]
    opened = scpi_power_meter.open_device(device.section, lab.clock, connector(lab.bench))
    section = {**lab.description.meter.section, "wavelength_nm": 1654.0}
    channel = opened.power_meter("power_meter", section)
    assert isinstance(channel, ZeroesItself)
    with pytest.raises(Refused, match=r"its zero is .* µW now, more than.*it saw light"):
        channel.zero()
    opened.close()


@pytest.mark.parametrize(
    ("change", "error", "told"),
    [
        (('ZERO"', 'ZERO 5"'), Refused, "refuses 'SENS:CORR:COLL:ZERO 5'.*-108"),
        (('set: "SENS:CORR:COLL:ZERO', 'set: "*WAI'), ReadingError, "in the dark all the same"),
    ],
)
def test_a_zero_that_was_not_taken_is_told(
    tmp_path: Path, change: tuple[str, str], error: type[Exception], told: str
) -> None:
    lab = Lab(described(tmp_path, ZEROING.replace(*change, 1)))
    with lab.opened() as bench, pytest.raises(error, match=told):
        bench.measure_dark()
    assert lab.bench.meter.zero_w == 0.0


@pytest.mark.parametrize("was_off", [False, True])
def test_a_meter_that_comes_back_must_have_its_zero_still(tmp_path: Path, was_off: bool) -> None:
    lab = Lab(described(tmp_path))
    with lab.opened() as bench:
        bench.measure_dark()
        lab.bench.begin({"fault": "disconnected", "device": "meter", "for_s": 2.0})
        if was_off:
            lab.bench.meter.reset()
        if was_off:
            with pytest.raises(DeviceError, match="its zero is 0 µW now instead of 2"):
                bench.read_power("test")
        else:
            assert bench.read_power("test").power_w > 0.1e-3


def test_a_range_that_was_changed_is_set_again_before_the_dark_level(tmp_path: Path) -> None:
    lab = Lab(described(tmp_path, ""))
    with lab.opened() as bench:
        bench.measure_dark()
        assert not lab.told("somebody")
        lab.bench.meter.set_range(100e-3, lab.clock.now())
        bench.measure_dark()
    assert lab.bench.meter.range_w == 10e-3
    (told,) = lab.told("somebody has changed a setting of power_meter")
    assert "SENS:POW:RANG? read +1.00000000E-01 instead of 0.01" in told


def test_a_range_that_was_turned_down_is_found_by_the_reading_that_overflows(
    tmp_path: Path,
) -> None:
    lab = Lab(described(tmp_path, ""))
    with lab.opened() as bench:
        before = bench.read_power("test").power_w
        lab.bench.meter.set_range(min(lab.bench.meter.traits.ranges_w), lab.clock.now())
        assert bench.read_power("test").power_w == pytest.approx(before, rel=0.05)
    assert lab.bench.meter.range_w == 10e-3
    assert len(lab.told("somebody")) == 1


def test_zeroing_without_a_shutter_is_refused_with_its_place(tmp_path: Path) -> None:
    before, _, after = text_of().partition("shutter:")
    (tmp_path / "bench.yaml").write_text(before + after[after.index("caps:") :], "utf-8")
    with pytest.raises(BenchFileError, match=r"power_meter\.zeroing.*no shutter to make it dark"):
        load(tmp_path / "bench.yaml")


def test_zeroing_that_asks_nothing_is_refused_before_a_port_is_opened(tmp_path: Path) -> None:
    lab = Lab(described(tmp_path, ZEROING.replace("MAGN?", "MAGN")))
    told = r"zeroing\.ask is 'SENS:CORR:COLL:ZERO:MAGN'"
    with pytest.raises(BenchFileError, match=told), lab.opened():
        pass


@pytest.mark.thorough
def test_a_meter_is_zeroed_over_a_real_socket(tmp_path: Path) -> None:
    simulated = SimulatedBench(described(tmp_path), 7, RealClock())
    simulated.meter.trouble.background_w = BACKGROUND_UW * 1e-6
    journal = MemoryJournal()
    with serve(simulated, pseudo_terminals=False) as served:
        path = served.write_bench_file(tmp_path / "served.yaml")
        with open_bench(load(path), clock=RealClock(), journal=journal) as bench:
            simulated.meter.set_range(100e-3, RealClock().now())
            dark = bench.measure_dark()
            assert bench.read_power("test").power_w > 0.1e-3
    assert simulated.meter.zero_w == pytest.approx(BACKGROUND_UW * 1e-6, rel=0.1)
    assert simulated.meter.range_w == 10e-3
    assert abs(dark.power_w) < 1e-6
    assert any("was zeroed in the dark" in text for _, text in journal.events)
