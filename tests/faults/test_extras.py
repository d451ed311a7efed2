"""A reference meter and a thermometer beside the instruments of the bench file."""

import socket

import numpy as np
import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario, read
from autocell_simulators.inprocess import connector
from autocell_simulators.serving import serve
from autocell_simulators.truth import draw_truth

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.protocols import Line
from autocell.description import BenchDescription
from autocell.errors import UsageError

BOTH = Scenario(instruments=("reference-meter", "thermometer"))


class Bench:
    """A simulated bench with both, in process."""

    def __init__(self, description: BenchDescription, start: str = "six-pass") -> None:
        self.clock = VirtualClock()
        truth = draw_truth(description, 7, scale=0.0)
        self.bench = SimulatedBench(description, truth, self.clock, start=start, scenario=BOTH)
        self._lines = {
            name: connector(self.bench)(address, Line(self.clock))
            for name, address in self.bench.addresses.items()
        }

    def ask(self, device: str, text: bytes, ending: bytes = b"\n") -> float:
        self._lines[device].write(text + ending)
        return float(self._lines[device].read_until(b"\n", self.clock.now() + 5.0).split()[-1])

    def powers(self) -> tuple[float, float]:
        """Of reference and exit, W."""
        self.ask("meter", b"SENS:POW:WAV 1654;RANG 10MW;*OPC?")
        return self.ask("reference-meter", b"READ?"), self.ask("meter", b"READ?")


@pytest.fixture
def bench(description: BenchDescription) -> Bench:
    return Bench(description)


def test_the_reference_meter_sees_a_hundredth_of_the_light_that_arrives(bench: Bench) -> None:
    assert bench.powers()[0] == pytest.approx(80e-6, rel=1e-6)  # of 8 mW


def test_the_laser_is_told_from_all_else_by_the_ratio_of_both(bench: Bench) -> None:
    before = bench.powers()
    bench.bench.begin({"fault": "mode-hop", "percent": 5.0})
    hopped = bench.powers()
    assert abs(hopped[0] / before[0] - 1.0) == pytest.approx(0.05, rel=1e-6)
    assert hopped[1] / hopped[0] == pytest.approx(before[1] / before[0], rel=1e-6)
    bench.bench.end("mode-hop")
    bench.bench.begin({"fault": "knock", "percent": 30.0})
    knocked = bench.powers()
    assert knocked[0] == pytest.approx(before[0], rel=1e-6)
    assert knocked[1] / before[1] == pytest.approx(0.7, abs=0.01)


def test_the_shutter_darkens_the_exit_and_not_the_reference(bench: Bench) -> None:
    bench.ask("motion", b"1 LI?", b"\r")
    bench.bench.shutter.on = False
    reference_w, exit_w = bench.powers()
    assert reference_w == pytest.approx(80e-6, rel=1e-6)
    assert exit_w == pytest.approx(0.0, abs=1e-12)


def test_without_a_laser_both_are_dark(description: BenchDescription) -> None:
    assert Bench(description, start="dark").powers() == pytest.approx((0.0, 0.0), abs=1e-12)


def test_the_thermometer_reads_the_base_and_scatters_a_little(
    description: BenchDescription,
) -> None:
    bench = Bench(description, start="hot")
    readings = [bench.ask("thermometer", b"MEAS:TEMP?") for _ in range(200)]
    # five kelvin from the 21 °C of alignment, everything soaked; 200 readings take 20 s
    assert np.mean(readings) == pytest.approx(26.0, abs=0.03)
    assert np.std(readings) == pytest.approx(0.01, rel=0.3)
    bench.clock.sleep(2 * 3600.0)
    assert bench.ask("thermometer", b"READ?") < 25.0


def test_another_instrument_changes_none_of_the_other_numbers(
    description: BenchDescription,
) -> None:
    heard = []
    for scenario in (Scenario(), BOTH):
        clock = VirtualClock()
        bench = SimulatedBench(description, 7, clock, scenario=scenario)
        line = connector(bench)(description.devices["meter"].address, Line(clock))
        line.write(b"READ?\n" * 3)
        heard.append([line.read_until(b"\n", clock.now() + 5.0) for _ in range(3)])
    assert heard[0] == heard[1]


def test_both_are_served_on_ports_of_their_own(description: BenchDescription) -> None:
    bench = SimulatedBench(description, 7, RealClock(), scenario=BOTH)
    with serve(bench) as served:
        for name, identity in (("reference-meter", b"POWER-METER"), ("thermometer", b"THERM")):
            host, port = served.addresses[name].split("::")[1:3]
            with socket.create_connection((host, int(port)), 20.0) as client:
                client.sendall(b"*IDN?\n")
                assert identity in client.recv(100)
        assert "reference" not in served.bench_file_text()


def test_an_instrument_that_there_is_not_is_refused() -> None:
    with pytest.raises(UsageError, match=r"instruments\[0\]: 'barometer' is not one of"):
        read("scenario: x\ninstruments: [barometer]\n")
