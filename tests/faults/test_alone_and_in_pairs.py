"""Every fault can strike alone, and the pairs that hide behind each other strike together."""

from __future__ import annotations

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.alone import NEEDS_A_FILE, PAIRS, alone, together
from autocell_simulators.faults.catalogue import FAULTS
from autocell_simulators.inprocess import connector
from autocell_simulators.rehearsal.every_fault import named_by_serial_number
from autocell_simulators.rehearsal.one import rehearse_change
from autocell_simulators.rehearsal.summary import Fate, fate

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.errors import MotionError, Refused

BENCH = named_by_serial_number(load(shipped("peat-bog")))


@pytest.mark.parametrize("fault", sorted(FAULTS.keys() - {*NEEDS_A_FILE}))
def test_every_fault_has_a_scenario_that_suits_the_bench(fault: str) -> None:
    scenario = alone(fault, BENCH)
    SimulatedBench(BENCH, 3, VirtualClock(), scenario=scenario)
    assert fault in [entry.fault.name for entry in scenario.entries]


@pytest.mark.parametrize("pair", PAIRS)
def test_under_a_pair_a_reading_is_still_of_the_light_where_the_bench_stands(pair: str) -> None:
    clock = VirtualClock()
    simulated = SimulatedBench(BENCH, 3, clock, scenario=together(PAIRS[pair], BENCH, name=pair))
    ended = ""
    with open_bench(BENCH, clock=clock, connect=connector(simulated)) as bench:
        here = bench.positions()
        for away_m in (0.0, -1e-3, 2e-3, -1e-3):
            targets = {"spacing": here["spacing"] + away_m, "yaw": here["yaw"] + away_m / 3}
            try:
                bench.move_axes(targets, pair)
            except (MotionError, Refused) as error:
                ended = str(error)
                break
            reading = bench.read_power(pair)
            with simulated.present():
                light_w = simulated.rig.whole.light_w()
            assert reading.power_w == pytest.approx(light_w, abs=6.0 * reading.uncertainty_w)
    # a controller that forgot where it is says so, and no reading is taken
    assert ("reference" in ended) == ("power cycle" in pair), ended
    assert {event.fault for event in simulated.events} >= {*PAIRS[pair]} - {"late-reply"}


@pytest.mark.thorough
@pytest.mark.parametrize("pair", PAIRS)
def test_a_change_under_a_pair_ends_true(pair: str) -> None:
    rehearsal = rehearse_change(
        BENCH, 38, campaign_seed=3, index=0, scenario=together(PAIRS[pair], BENCH, name=pair)
    )
    assert fate(rehearsal, 38) is not Fate.WRONG
    assert rehearsal.limit_violations == 0
    assert {struck.fault for struck in rehearsal.struck} >= {*PAIRS[pair]}
    if "power cycle" in pair:  # what the controller forgot nobody can know
        assert fate(rehearsal, 38) is Fate.FAILED
        assert "reference" in rehearsal.reason
    else:
        assert fate(rehearsal, 38) is Fate.REACHED_TRUE
