import dataclasses

import numpy as np
import pytest
from autocell_simulators.mechanics import AxisTraits, MoveRefusedError, SimulatedAxis
from autocell_simulators.trajectory import braking, trapezoid

TRAITS = AxisTraits(
    low=0.0,
    high=0.05,
    beyond=0.25e-3,
    speed=5e-3,
    acceleration=20e-3,
    backlash=10e-6,
    repeatability=1e-6,
    resolution=1e-7,
)


class Stand:
    """An axis at 20 mm and a time that runs on."""

    def __init__(self, traits: AxisTraits = TRAITS) -> None:
        self.axis = SimulatedAxis(traits, np.random.default_rng(1), 0.0)
        self.axis.place(0.02)
        self.time_s = 0.0

    def wait(self, seconds: float) -> None:
        self.time_s += seconds
        self.axis.advance(self.time_s)

    def go(self, target: float) -> None:
        self.axis.move_to(target)
        self.wait(30.0)


@pytest.fixture
def stand() -> Stand:
    return Stand()


def test_a_long_move_takes_distance_over_speed_and_one_ramp() -> None:
    # trapezoidal profile: t = d/v + v/a (kinematics, any textbook)
    move = trapezoid(2.0, 0.0, 0.03, 5e-3, 20e-3)
    assert move.end_s - 2.0 == pytest.approx(0.03 / 5e-3 + 5e-3 / 20e-3)


def test_a_short_move_never_reaches_its_speed() -> None:
    # triangular profile: t = 2 √(d/a)
    move = trapezoid(0.0, 0.0, -1e-4, 5e-3, 20e-3)
    assert move.end_s == pytest.approx(2.0 * (1e-4 / 20e-3) ** 0.5)
    assert abs(move.at(0.5 * move.end_s)[1]) < 5e-3


def test_speed_and_acceleration_are_kept_and_the_path_has_no_jumps() -> None:
    move = trapezoid(0.0, 0.01, 0.02, 5e-3, 20e-3)
    times_s = np.linspace(0.0, move.end_s, 20001)
    path = np.array([move.at(float(time_s)) for time_s in times_s])
    speed = np.diff(path[:, 0]) / np.diff(times_s)
    assert np.max(np.abs(path[:, 1])) <= 5e-3 * (1 + 1e-12)
    assert speed == pytest.approx(0.5 * (path[1:, 1] + path[:-1, 1]), abs=1e-6)
    assert np.max(np.abs(np.diff(path[:, 1]) / np.diff(times_s))) <= 20e-3 * 1.001
    assert move.at(move.end_s)[0] == 0.02


def test_braking_takes_the_stopping_distance() -> None:
    # v²/2a
    stop = braking(1.0, 0.01, -5e-3, 20e-3)
    assert stop.end == pytest.approx(0.01 - 5e-3**2 / (2.0 * 20e-3))
    assert stop.end_s == pytest.approx(1.25)


def test_the_counter_does_not_show_backlash_and_the_light_does() -> None:
    # reversal value of ISO 230-2: the difference between both approaches to one target
    stand = Stand(dataclasses.replace(TRAITS, repeatability=0.0))
    stand.go(0.01)
    stand.go(0.03)
    from_below = stand.axis.true_position, stand.axis.counter
    stand.go(0.04)
    stand.go(0.03)
    from_above = stand.axis.true_position, stand.axis.counter
    assert from_above[0] - from_below[0] == pytest.approx(10e-6, abs=2.1e-7)
    assert from_above[1] == pytest.approx(from_below[1], abs=2.1e-7)


def test_a_move_shorter_than_the_backlash_moves_nothing_after_a_reversal() -> None:
    stand = Stand(dataclasses.replace(TRAITS, repeatability=0.0))
    stand.go(0.03)
    before = stand.axis.true_position
    stand.go(0.03 - 8e-6)
    assert stand.axis.true_position == before
    assert stand.axis.counter == pytest.approx(0.03 - 8e-6, abs=1.1e-7)


def test_read_back_is_within_a_count_of_the_target_and_not_snapped_to_it(stand: Stand) -> None:
    targets = np.linspace(0.005, 0.045, 60) + 3.3e-8
    misses = []
    for target in targets:
        stand.go(float(target))
        misses.append(stand.axis.counter - target)
    assert np.max(np.abs(misses)) <= 1.6e-7
    assert np.count_nonzero(np.abs(misses) > 6e-8) > 10


def test_arrivals_scatter_by_the_repeatability() -> None:
    stand = Stand(dataclasses.replace(TRAITS, backlash=0.0))
    arrivals = []
    for _ in range(400):
        stand.go(0.021)
        arrivals.append(stand.axis.true_position - stand.axis.counter)
        stand.go(0.02)
    assert np.std(arrivals) == pytest.approx(1e-6, rel=0.15)


def test_a_target_beyond_the_travel_is_refused_and_counted(stand: Stand) -> None:
    with pytest.raises(MoveRefusedError, match="LIMIT"):
        stand.axis.move_to(0.0500001)
    assert stand.axis.counts.limit_violations == 1
    assert not stand.axis.in_motion


@pytest.mark.parametrize("end", [0.0, 0.05])
def test_the_ends_of_the_travel_press_no_switch(stand: Stand, end: float) -> None:
    stand.go(end)
    assert stand.axis.counter == pytest.approx(end, abs=1.1e-7)
    assert not stand.axis.at_low_switch
    assert not stand.axis.at_high_switch
    assert stand.axis.counts.limit_violations == 0


def test_a_move_while_moving_is_refused_and_the_first_goes_on(stand: Stand) -> None:
    stand.axis.move_to(0.03)
    stand.wait(0.5)
    with pytest.raises(MoveRefusedError, match="BUSY"):
        stand.axis.move_to(0.01)
    stand.wait(30.0)
    assert stand.axis.counter == pytest.approx(0.03, abs=1.1e-7)


def test_stop_brakes_and_nothing_follows(stand: Stand) -> None:
    stand.axis.move_to(0.04)
    stand.wait(1.0)
    stand.axis.stop()
    at_stop = stand.axis.counter
    stand.wait(0.25)
    rest = stand.axis.counter
    assert not stand.axis.in_motion
    assert rest - at_stop == pytest.approx(5e-3**2 / (2.0 * 20e-3), abs=2e-7)
    stand.wait(60.0)
    assert stand.axis.counter == rest


def test_stopping_twice_is_no_faster_and_no_slower(stand: Stand) -> None:
    stand.axis.move_to(0.04)
    stand.wait(1.0)
    stand.axis.stop()
    stand.wait(0.1)
    stand.axis.stop()
    stand.wait(0.1499)
    assert stand.axis.in_motion
    stand.wait(0.0002)
    assert not stand.axis.in_motion


def test_the_moving_bit_is_late_by_up_to_20_ms(stand: Stand) -> None:
    delays_s = []
    for turn in range(60):
        stand.axis.move_to(0.02 if turn % 2 else 0.03)
        unseen = 0
        while not stand.axis.shows_motion and unseen < 100:
            stand.wait(0.0005)
            unseen += 1
        delays_s.append(unseen * 0.0005)
        stand.wait(30.0)
    assert max(delays_s) <= 0.0205
    assert max(delays_s) > 0.015
    assert min(delays_s) < 0.005


def test_a_power_cycle_zeroes_the_counter_and_moves_nothing(stand: Stand) -> None:
    before = stand.axis.true_position
    stand.axis.power_cycle()
    assert stand.axis.counter == 0.0
    assert stand.axis.true_position == before
    assert not stand.axis.referenced
    with pytest.raises(MoveRefusedError, match="NOREF"):
        stand.axis.move_to(0.01)


def test_homing_restores_the_counter_within_the_repeatability(stand: Stand) -> None:
    stand.axis.power_cycle()
    stand.axis.home()
    stand.wait(1.0)
    assert not stand.axis.referenced
    stand.wait(30.0)
    assert stand.axis.referenced
    assert stand.axis.counter == pytest.approx(0.0, abs=5e-6)
    assert stand.axis.true_position == pytest.approx(0.0, abs=20e-6)


def test_homing_that_was_stopped_leaves_the_axis_unreferenced(stand: Stand) -> None:
    stand.axis.power_cycle()
    stand.axis.home()
    stand.wait(1.0)
    stand.axis.stop()
    stand.wait(30.0)
    assert not stand.axis.referenced


def test_unreferenced_jogging_ends_at_the_limit_switch_and_leads_back(stand: Stand) -> None:
    stand.axis.power_cycle()
    stand.axis.move_by(0.05)
    stand.wait(30.0)
    assert stand.axis.at_high_switch
    assert stand.axis.true_position == pytest.approx(0.05 + 0.25e-3, abs=5e-6)
    assert stand.axis.counts.limit_violations == 1
    stand.axis.move_by(-0.001)
    stand.wait(30.0)
    assert not stand.axis.at_high_switch


def test_an_axis_in_fault_moves_only_after_a_power_cycle(stand: Stand) -> None:
    stand.axis.faulted = True
    for command in (lambda: stand.axis.move_by(1e-3), stand.axis.home):
        with pytest.raises(MoveRefusedError, match="FAULT"):
            command()
    stand.axis.power_cycle()
    stand.axis.home()


def test_how_often_one_looks_changes_nothing() -> None:
    seldom, often = Stand(), Stand()
    for stand, step_s in ((seldom, 4.0), (often, 0.01)):
        stand.axis.move_to(0.031)
        for _ in range(round(4.0 / step_s)):
            stand.wait(step_s)
    assert often.axis.true_position == pytest.approx(seldom.axis.true_position, abs=1e-12)
    assert often.axis.counts.travel == pytest.approx(seldom.axis.counts.travel)


def test_a_misspelt_attribute_is_an_error(stand: Stand) -> None:
    with pytest.raises(AttributeError):
        stand.axis.fautled = True  # type: ignore[attr-defined]
