"""The example beamline, whose records know neither units nor limits nor a stop."""

from __future__ import annotations

import numpy as np
import pytest

from autocell.bench.file import load
from autocell.bench.opening import open_bench
from autocell.bench.protocols import ReportsLimits
from autocell.errors import BenchFileError, LimitError, Refused
from tests.bench.conftest import MemoryJournal
from tests.drivers.epics.systems import CLOCK, METER, MOTOR, open_system, wait_until_rest
from tests.drivers.other_programs import beamline_bench

pytestmark = pytest.mark.thorough


def test_example_beamline_is_refused_for_what_it_does_not_tell(beamline_server):
    """Its detector has no unit, and its motor no limits: neither is guessed."""
    outputs = {"ph:mtr": {"readback": "ph:mtr"}}
    device = open_system("beamline", outputs=outputs)
    try:
        with pytest.raises(BenchFileError, match="EGU"):
            device.power_meter("power_meter", METER | {"channel": "ph:det"})
        axis = device.axis("spacing", MOTOR | {"channel": "ph:mtr"})
        with pytest.raises(Refused, match="no drive limits"):
            axis.start_move(1e-3)
        assert not axis.moving()
    finally:
        device.close()


@pytest.fixture
def pinhole(beamline_server, tmp_path):
    """A bench file for the pinhole of the example beamline and the motor that moves it."""
    return load(beamline_bench(tmp_path))


@pytest.fixture
def pinhole_axis(pinhole, beamline_server):
    section = pinhole.devices["beamline"].section
    device = open_system("beamline", outputs=section["outputs"], units=section["units"])
    yield device.axis("spacing", pinhole.axes["spacing"].section)
    device.close()


def test_power_of_the_example_beamline_is_maximised_behind_guard_and_journal(pinhole):
    """Its motor knows neither limits nor a stop, and its beam comes and goes by a twentieth."""
    journal = MemoryJournal()
    with open_bench(pinhole, clock=CLOCK, journal=journal) as bench:
        bench.vouch_for(["spacing"])
        with pytest.raises(LimitError):
            bench.move_axes({"spacing": 9e-3}, "beyond the bench file")
        places = [4e-3, 2e-3, 0.0, -2e-3, -4e-3]
        readings = [power_at(bench, place) for place in places]
        curvature, slope, _ = np.polyfit(places, np.log(readings), 2)
        best = -slope / (2.0 * curvature)
        top = power_at(bench, best)
    # exp(-x²/50) about 0, by the source of that server: 0.1 mW there, twentieths of it less or more
    assert best == pytest.approx(0.0, abs=0.7e-3)
    assert top == pytest.approx(100e-6, rel=0.1)
    assert top > max(readings[0], readings[-1])
    assert [target for _, _, target, _ in journal.moves] == pytest.approx([*places, best])
    assert {outcome for _, outcome in journal.endings.values()} == {"arrived"}
    assert len(journal.endings) == len(places) + 1
    assert len(journal.readings) == len(places) + 1


def power_at(bench, place):
    bench.move_axes({"spacing": place}, "look for the most power")
    return bench.read_power("how much is there", relative_uncertainty=0.03).power_w


def test_axis_that_cannot_be_stopped_goes_no_further_than_its_stride(pinhole_axis):
    axis = pinhole_axis
    assert not isinstance(axis, ReportsLimits)
    start = axis.position()
    far = -7e-3 if start > 0.0 else 7e-3
    axis.start_move(far)
    asked = CLOCK.now()
    while abs(axis.position() - start) < 0.7e-3:
        assert axis.moving()
        assert CLOCK.now() < asked + 60.0
        CLOCK.sleep(0.02)
    axis.stop()
    at = axis.position()
    wait_until_rest(axis)
    CLOCK.sleep(0.5)
    assert not axis.moving()
    assert abs(axis.position() - at) <= 0.31e-3
    assert abs(axis.position() - start) < 3e-3


def test_limits_of_the_bench_file_bind_where_the_record_has_none(pinhole_axis):
    at = pinhole_axis.position()
    for target in (8.1e-3, -8.1e-3, float("inf")):
        with pytest.raises(LimitError, match="of the bench file, -8 to 8"):
            pinhole_axis.start_move(target)
    CLOCK.sleep(0.3)
    assert pinhole_axis.position() == at
