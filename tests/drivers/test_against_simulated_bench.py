"""Both drivers on the simulated bench, whose dialects were written from the same page but on
their own: in process on a virtual clock, and over a real pseudo-terminal and a real TCP port.
"""

from __future__ import annotations

import math

import pytest
from autocell_drivers import ascii_motion, scpi_power_meter
from autocell_drivers.transports import connect
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector
from autocell_simulators.serving import serve as serve_bench

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.protocols import ReportsLimits, ReportsReference
from autocell.errors import Busy, Refused, WrongIdentity

BENCH = load(shipped("peat-bog"))
OPENERS = {
    "ascii-motion": ascii_motion.open_device,
    "scpi-power-meter": scpi_power_meter.open_device,
}


class Opened:
    """The instruments of a simulated bench, opened by their drivers, and what is true of it."""

    def __init__(self, simulated, clock, connect_to, addresses):
        self.simulated = simulated
        self.clock = clock
        self.lines = []
        self.connect_to = connect_to
        self.addresses = addresses
        self.devices = {name: self.open(name) for name in BENCH.devices}

    def open(self, name, **changes):
        device = BENCH.devices[name]
        section = {**device.section, "path": str(BENCH.path.parent), **changes}
        section["address"] = self.addresses.get(name, device.address)
        return OPENERS[device.driver](section, self.clock, self.keep)

    def keep(self, address, line):
        self.lines.append(self.connect_to(address, line))
        return self.lines[-1]

    def axis(self, name):
        return self.devices["motion"].axis(name, BENCH.axes[name].section)

    def meter(self):
        section = {**BENCH.meter.section, "wavelength_nm": BENCH.laser.wavelength_m * 1e9}
        return self.devices["meter"].power_meter("power_meter", section)

    def shutter(self):
        return self.devices["motion"].shutter(BENCH.shutter.section)

    def finish(self, axis, patience_s=20.0):
        """Wait until an axis rests."""
        deadline = self.clock.now() + patience_s
        while axis.moving():
            assert self.clock.now() < deadline
            self.clock.sleep(0.01)

    def end(self):
        left = [line.discard_input() for line in self.lines[:2]]
        for device in self.devices.values():
            device.close()
        assert left == [0, 0]


@pytest.fixture(params=["in process", "pty and TCP", "TCP only"])
def bench(request):
    if request.param == "in process":
        clock = VirtualClock()
        simulated = SimulatedBench(BENCH, 7, clock)
        opened = Opened(simulated, clock, connector(simulated), {})
        yield opened
        opened.end()
        return
    simulated = SimulatedBench(BENCH, 7, RealClock())
    with serve_bench(simulated, pseudo_terminals=request.param == "pty and TCP") as served:
        opened = Opened(simulated, RealClock(), connect, served.addresses)
        yield opened
        opened.end()


def test_instruments_are_who_the_bench_file_says(bench):
    assert "PLAIN-MOTION" in bench.devices["motion"].identity
    assert "POWER-METER" in bench.devices["meter"].identity


def test_axes_tell_their_travel_and_their_reference(bench):
    for name, described in BENCH.axes.items():
        axis = bench.axis(name)
        assert isinstance(axis, ReportsLimits)
        assert isinstance(axis, ReportsReference)
        low, high = axis.limits()
        assert low <= described.low < described.high <= high
        assert axis.referenced()
        assert not axis.moving()


@pytest.mark.parametrize(("name", "step"), [("spacing", 0.3e-3), ("pitch", 0.4e-3)])
def test_moves_end_where_they_were_sent(bench, name, step):
    axis = bench.axis(name)
    target = round(axis.position() + step, 8)
    axis.start_move(target)
    assert axis.moving()
    bench.finish(axis)
    assert axis.position() == pytest.approx(target, abs=3 * BENCH.axes[name].repeatability)
    true = bench.simulated.true_positions()[name]
    assert true == pytest.approx(target, abs=BENCH.axes[name].backlash + 3e-6)


def test_stop_ends_a_long_move_on_its_way(bench):
    axis = bench.axis("spacing")
    start = axis.position()
    axis.start_move(start + 0.010)
    bench.clock.sleep(0.1)
    assert axis.moving()
    axis.stop()
    bench.finish(axis)
    assert start < axis.position() < start + 0.009


def test_move_beyond_the_travel_is_refused_by_the_controller(bench):
    axis = bench.axis("spacing")
    with pytest.raises(Refused, match="beyond its travel"):
        axis.start_move(axis.limits()[1] + 0.010)
    assert bench.simulated.truth_report()["moves"] == 0


def test_move_while_moving_is_refused_and_not_repeated(bench):
    axis = bench.axis("spacing")
    axis.start_move(axis.position() + 0.005)
    bench.clock.sleep(0.05)
    with pytest.raises(Refused, match="still moving"):
        axis.start_move(0.02)
    axis.stop()
    bench.finish(axis)
    assert bench.simulated.truth_report()["moves"] == 1


def test_meter_reads_fresh_powers_in_watts(bench):
    meter = bench.meter()
    readings = [meter.read() for _ in range(4)]
    powers = [reading.power_w for reading in readings]
    assert all(math.isfinite(power) and 0.0 < power < BENCH.meter.range_w for power in powers)
    assert len(set(powers)) == len(powers)
    assert bench.simulated.truth_report()["readings"] == 4


def test_closed_shutter_leaves_the_dark_level(bench):
    meter, shutter = bench.meter(), bench.shutter()
    lit = meter.read().power_w
    shutter.close()
    dark = meter.read().power_w
    shutter.open()
    assert abs(dark) < 0.05 * lit
    assert meter.read().power_w == pytest.approx(lit, rel=0.1)


def test_power_cycle_shows_as_a_lost_reference():
    clock = VirtualClock()
    simulated = SimulatedBench(BENCH, 7, clock, start="power-cycled")
    opened = Opened(simulated, clock, connector(simulated), {})
    axis = opened.axis("spacing")
    assert not axis.referenced()
    assert axis.position() == 0.0
    assert any("not referenced" in note for note in opened.devices["motion"].notes)
    with pytest.raises(Refused, match="home it first"):
        axis.start_move(0.010)
    opened.end()


def test_second_owner_and_wrong_identity_are_refused(bench):
    with pytest.raises(Busy):
        bench.open("meter")
    bench.devices["meter"].close()
    with pytest.raises(WrongIdentity, match="OTHER-METER"):
        bench.open("meter", identity="OTHER-METER")
    bench.lines.pop(1)
    bench.devices["meter"] = bench.open("meter")
    bench.lines[1], bench.lines[-1] = bench.lines[-1], bench.lines[1]
