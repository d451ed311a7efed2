"""Rows 1 to 13: what each fault of the axes does to the light, and by how much."""

import dataclasses
import math

import numpy as np
import pytest

from autocell.description import BenchDescription
from autocell.optics.cell import Cell, InputBeam
from tests.faults.conftest import Client, spread

EDGE = 1.8e-3
"""Where the power falls steeply with the horizontal axis, m."""
PIEZO = {"horizontal": {"drive": "piezo-inertia", "step_um": 1.0}}
STEPPER = {"horizontal": {"drive": "stepper", "step_um": 1.0}}
COUNT = 2.1e-7
"""A loop settles within a count, and the counter shows whole ones."""
LOW_LIMIT, HIGH_LIMIT, FAULT, REFERENCED = 0x02, 0x04, 0x08, 0x10


def test_steps_back_that_are_smaller_do_not_return(description: BenchDescription) -> None:
    fault = {"fault": "step-asymmetry", "axis": "horizontal", "percent": 20.0}
    client = Client(description, fault, axes=PIEZO, at={"horizontal": EDGE})
    client.go("horizontal", EDGE + 1e-4)
    client.go("horizontal", EDGE)
    assert client.counter("horizontal") == pytest.approx(EDGE, abs=COUNT)
    # 100 steps of 1 µm forward, 100 of 0.8 µm back
    assert client.read() == pytest.approx(client.expected_w(horizontal=EDGE + 20e-6), rel=2e-3)
    assert client.read() < 0.97 * client.expected_w(horizontal=EDGE)


def test_steps_that_change_their_size_miss_by_that_part(description: BenchDescription) -> None:
    fault = {"fault": "step-size", "percent": 10.0, "when": {"at_s": 60.0}}
    client = Client(description, fault, axes=PIEZO, at={"horizontal": 1.7e-3})
    client.go("horizontal", EDGE)
    assert client.read() == pytest.approx(client.expected_w(horizontal=EDGE), rel=2e-3)
    client.wait(60.0)
    client.go("horizontal", EDGE + 1e-4)
    assert client.read() == pytest.approx(client.expected_w(horizontal=EDGE + 1.1e-4), rel=3e-3)


@pytest.mark.parametrize("steps", [100, 400])
def test_steps_scatter_as_the_root_of_their_number(
    description: BenchDescription, steps: int
) -> None:
    fault = {"fault": "step-scatter", "percent": 5.0}
    client = Client(description, fault, axes=PIEZO, at={"horizontal": EDGE})
    lengths, powers = [], []
    for _ in range(150):
        before = client.true("horizontal")
        client.controller(f"4 MR {-steps * 1e-3:.5f}")
        client.wait(3.0)
        lengths.append(client.true("horizontal") - before)
        powers.append(client.read())
        client.controller(f"4 MR {steps * 1e-3:.5f}")
        client.wait(3.0)
    # √n times 5 % of 1 µm; the spread of 150 is known to 6 %, and three times that is allowed
    expected = 0.05e-6 * math.sqrt(steps)
    assert spread(lengths) == pytest.approx(expected, rel=0.18)
    assert np.mean(lengths) == pytest.approx(-steps * 1e-6, abs=4.0 * expected / math.sqrt(150))
    assert spread(powers) > 0.0


def test_the_first_steps_after_a_reversal_are_dead(description: BenchDescription) -> None:
    fault = {"fault": "dead-steps", "steps": 15}
    client = Client(description, fault, axes=PIEZO, at={"horizontal": EDGE})
    client.go("horizontal", EDGE + 5e-5)  # forward as it came: nothing is lost
    assert client.true("horizontal") == pytest.approx(EDGE + 5e-5, abs=COUNT)
    before_w = client.read()
    client.go("horizontal", EDGE + 4e-5)  # ten steps of the fifteen
    assert client.read() == before_w
    client.go("horizontal", EDGE)
    assert client.true("horizontal") == pytest.approx(EDGE + 15e-6, abs=COUNT)
    assert client.read() == pytest.approx(client.expected_w(horizontal=EDGE + 15e-6), rel=2e-3)


@pytest.mark.parametrize("axes", [{}, STEPPER])
def test_backlash_offsets_the_way_back_from_the_way_there(
    description: BenchDescription, axes: dict[str, dict[str, object]]
) -> None:
    fault = {"fault": "backlash", "axis": "horizontal", "um": 8.0}
    client = Client(description, fault, axes=axes, at={"horizontal": 1.7e-3})
    client.go("horizontal", EDGE)
    from_below_w = client.read()
    client.go("horizontal", 1.9e-3)
    client.go("horizontal", EDGE)
    # reversal value of ISO 230-2: the same target from both sides
    assert client.true("horizontal") == pytest.approx(EDGE + 8e-6, abs=COUNT)
    assert client.read() == pytest.approx(client.expected_w(horizontal=EDGE + 8e-6), rel=2e-3)
    assert from_below_w == pytest.approx(client.expected_w(horizontal=EDGE), rel=2e-3)
    assert client.bench.truth_report()["limit_violations"] == 0


def test_a_stage_with_its_encoder_on_the_load_loses_nothing_and_settles(
    description: BenchDescription,
) -> None:
    axes = {"horizontal": {"drive": "closed-loop", "settling_ms": 40.0}}
    client = Client(description, axes=axes, at={"horizontal": 1.7e-3}, scale=1.0)
    axis = client.bench.axes["horizontal"]
    client.go("horizontal", 1.9e-3)
    client.start("horizontal", EDGE)
    while axis.in_motion:
        client.wait(1e-3)
        client.bench.true_positions()
    arrived = client.true("horizontal")
    # a first-order lag τ behind the deceleration a of 5 mm/s² is aτ² = 8 µm at its end
    assert arrived - EDGE == pytest.approx(8e-6, rel=0.05)
    client.wait(0.04)
    assert client.true("horizontal") - EDGE == pytest.approx(8e-6 / math.e, rel=0.08)
    client.wait(1.0)
    assert client.true("horizontal") == pytest.approx(EDGE, abs=COUNT)


def test_coupling_moves_the_beam_across(description: BenchDescription) -> None:
    client = Client(description, {"fault": "coupling", "percent": 20.0}, scale=1e-9)
    client.go("horizontal", 1.7e-3)
    across = 0.2 * 1.7e-3
    either = [client.expected_w(horizontal=1.7e-3, vertical=side * across) for side in (1, -1)]
    nearer = min(either, key=lambda expected_w: abs(expected_w - client.read()))
    assert client.read() == pytest.approx(nearer, rel=1e-3)
    assert abs(client.read() - client.expected_w(horizontal=1.7e-3)) > 0.1e-3


def test_a_mount_creeps_on_after_a_move(description: BenchDescription) -> None:
    fault = {"fault": "creep", "axis": "horizontal", "um": 20.0, "time_constant_min": 10.0}
    client = Client(description, fault, at={"horizontal": 1.6e-3})
    client.go("horizontal", EDGE)
    for minutes in (1.0, 10.0, 30.0):
        client.wait(60.0 * minutes)
    elapsed_min = (client.clock.now() - 0.56) / 60.0  # the move took 0.2/1 + 1/5 s and a little
    crept = 20e-6 * (1.0 - math.exp(-elapsed_min / 10.0))
    assert client.true("horizontal") - EDGE == pytest.approx(crept, abs=3e-7)
    assert client.read() == pytest.approx(client.expected_w(horizontal=EDGE + crept), rel=2e-3)
    assert client.counter("horizontal") == pytest.approx(EDGE, abs=COUNT)


def test_short_moves_creep_by_their_part_and_never_pile_up(description: BenchDescription) -> None:
    fault = {"fault": "creep", "axis": "horizontal", "um": 20.0, "full_after_um": 100.0}
    client = Client(description, fault)
    for count in range(1, 9):
        client.go("horizontal", count * 25e-6)
        client.wait(6.0 * 3600.0)
        crept = client.true("horizontal") - count * 25e-6
        assert crept == pytest.approx(min(count * 5e-6, 20e-6), abs=COUNT)


def test_a_stuck_servo_answers_as_ever_and_catches_up_in_the_next_move(
    description: BenchDescription,
) -> None:
    fault = {"fault": "stick", "axis": "horizontal", "when": {"move": 2}}
    client = Client(description, fault, at={"horizontal": 1.6e-3})
    client.go("horizontal", 1.7e-3)
    before_w = client.read()
    client.go("horizontal", EDGE)
    assert client.counter("horizontal") == pytest.approx(EDGE, abs=COUNT)
    assert client.read() == before_w
    client.go("horizontal", EDGE + 1e-5)
    assert client.read() == pytest.approx(client.expected_w(horizontal=EDGE + 1e-5), rel=2e-3)


def test_a_stuck_piezo_never_catches_up(description: BenchDescription) -> None:
    fault = {"fault": "stick", "when": {"move": 1}}
    client = Client(description, fault, axes=PIEZO, at={"horizontal": EDGE})
    client.go("horizontal", EDGE + 5e-5)
    client.go("horizontal", EDGE + 1e-4)
    assert client.read() == pytest.approx(client.expected_w(horizontal=EDGE + 5e-5), rel=2e-3)


def test_an_axis_that_runs_away_ends_on_its_limit_switch(description: BenchDescription) -> None:
    client = Client(description, {"fault": "runaway", "axis": "horizontal"})
    client.start("horizontal", 0.5e-3)
    client.wait(0.8)
    assert client.controller("4 SP") == "4 OK"  # in vain
    client.wait(10.0)
    # the switch is half a percent of the travel beyond its end
    assert client.counter("horizontal") == pytest.approx(2e-3 + 0.005 * 4e-3, abs=COUNT)
    assert client.status("horizontal") & HIGH_LIMIT
    assert client.read() == pytest.approx(client.expected_w(horizontal=2.02e-3), rel=5e-3)
    counts = client.bench.truth_report()["axis_counts"]["horizontal"]
    assert (counts["ran_away"], counts["limit_violations"]) == (1, 0)


def test_a_runaway_that_hears_is_stopped_by_a_stop(description: BenchDescription) -> None:
    fault = {"fault": "runaway", "axis": "horizontal", "obeys_stop": True}
    client = Client(description, fault)
    client.start("horizontal", 0.5e-3)
    client.wait(1.0)
    here = client.counter("horizontal")
    assert here > 0.5e-3
    client.controller("4 SP")
    client.wait(5.0)
    # v²/2a at 1 mm/s and 5 mm/s²
    assert client.counter("horizontal") - here == pytest.approx(1e-4, abs=5e-6)


def test_a_missed_stop_is_answered_and_not_obeyed(description: BenchDescription) -> None:
    fault = {"fault": "missed-stop", "axis": "horizontal", "for_s": 30.0}
    client = Client(description, fault)
    client.start("horizontal", EDGE)
    client.wait(0.5)
    assert client.controller("4 SP") == "4 OK"
    client.wait(10.0)
    assert client.counter("horizontal") == pytest.approx(EDGE, abs=COUNT)
    client.wait(30.0)
    client.start("horizontal", 0.0)
    client.wait(0.5)
    client.controller("4 SP")
    client.wait(10.0)
    assert client.counter("horizontal") > 1e-3


def test_missed_steps_are_found_by_homing_and_not_before(description: BenchDescription) -> None:
    fault = {"fault": "missed-steps", "steps": 300}
    client = Client(description, fault, axes=STEPPER)
    client.go("horizontal", EDGE)
    assert client.counter("horizontal") == pytest.approx(EDGE, abs=COUNT)
    assert client.true("horizontal") == pytest.approx(EDGE - 300e-6, abs=COUNT)
    client.controller("4 HO")
    client.wait(20.0)
    client.go("horizontal", EDGE)
    assert client.true("horizontal") == pytest.approx(EDGE, abs=COUNT)
    assert client.read() == pytest.approx(client.expected_w(horizontal=EDGE), rel=2e-3)


def test_a_controller_that_lost_power_reads_zero_while_the_light_stays(
    description: BenchDescription,
) -> None:
    fault = {"fault": "power-cycle", "device": "motion", "when": {"at_s": 100.0}}
    client = Client(description, fault)
    before_w = client.read()
    assert client.status("spacing") & REFERENCED
    client.wait(100.0)
    assert client.counter("spacing") == 0.0
    assert client.true("spacing") == pytest.approx(0.04)
    assert not client.status("spacing") & REFERENCED
    assert client.controller("1 MA 40") == "1 ER 5 NOREF"
    assert client.read() == before_w


def test_a_piezo_controller_that_lost_power_does_not_even_know(
    description: BenchDescription,
) -> None:
    fault = {"fault": "power-cycle", "when": {"at_s": 10.0}}
    client = Client(description, fault, axes=PIEZO, at={"horizontal": 1e-3})
    client.wait(10.0)
    client.go("horizontal", 1e-4)
    assert client.true("horizontal") == pytest.approx(1.1e-3, abs=COUNT)


def test_a_meter_that_lost_power_has_forgotten_its_settings(description: BenchDescription) -> None:
    client = Client(description, {"fault": "power-cycle", "device": "meter", "when": {"at_s": 9.0}})
    assert float(client.meter("SENS:POW:WAV?")) == 1654.0
    client.wait(9.0)
    assert float(client.meter("SENS:POW:WAV?")) == 1550.0


def test_a_switch_stuck_closed_stalls_the_axis_one_way(description: BenchDescription) -> None:
    fault = {"fault": "limit-switch", "axis": "horizontal", "side": "high", "stuck": "closed"}
    client = Client(description, fault)
    assert client.status("horizontal") & HIGH_LIMIT
    client.go("horizontal", 1e-3)
    assert client.counter("horizontal") == 0.0
    client.go("horizontal", -1e-3)
    assert client.counter("horizontal") == pytest.approx(-1e-3, abs=COUNT)
    assert client.bench.truth_report()["limit_violations"] == 0


def test_a_switch_stuck_open_lets_the_axis_run_to_its_mechanical_end(
    description: BenchDescription,
) -> None:
    fault = {"fault": "limit-switch", "axis": "horizontal", "side": "high", "stuck": "open"}
    client = Client(description, fault)
    client.bench.axes["horizontal"].power_cycle()
    client.controller("4 MR 3")
    client.wait(20.0)
    # four times as far out as the switch, which is half a percent of the travel
    assert client.true("horizontal") == pytest.approx(2e-3 + 4 * 0.005 * 4e-3, abs=COUNT)
    assert client.status("horizontal") & FAULT
    assert not client.status("horizontal") & HIGH_LIMIT
    assert client.bench.truth_report()["limit_violations"] == 1


def test_yaw_pitch_and_straightness_of_the_stage_show_after_a_spacing_move(
    description: BenchDescription,
) -> None:
    fault = {
        "fault": "stage-errors", "yaw_urad": 4000.0, "pitch_urad": -2000.0,
        "straightness_um": 0.0, "sine": 0.0,
    }  # fmt: skip
    client = Client(description, fault, at={"horizontal": 1.7e-3})
    for stage_m in (0.037, 0.045):
        client.go("spacing", stage_m)

        def tilted(cell: Cell, beam: InputBeam, stage_m: float = stage_m) -> tuple[Cell, InputBeam]:
            along = stage_m / 0.05 - 0.5  # of a travel of 50 mm, from its middle
            far = dataclasses.replace(
                cell.far_mirror, tilt_x_rad=4e-3 * along, tilt_y_rad=-2e-3 * along
            )
            return dataclasses.replace(cell, far_mirror=far), beam

        straight_w = client.expected_w(spacing=stage_m, horizontal=1.7e-3)
        tilted_w = client.expected_w(tilted, spacing=stage_m, horizontal=1.7e-3)
        assert client.read() == pytest.approx(tilted_w, rel=1e-4)
        assert abs(tilted_w / straight_w - 1.0) > 3e-3
