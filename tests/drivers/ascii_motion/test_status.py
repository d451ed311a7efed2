"""What a controller says of an axis: motion, faults, switches, references."""

from __future__ import annotations

import pytest

from autocell.errors import Refused
from tests.drivers.ascii_motion.plain_controller import SPACING, PlainController, sent


def test_moving_bit_is_not_believed_until_it_can_be(bench):
    controller = PlainController()
    device, _, clock = bench(controller)
    axis = device.axis("spacing", SPACING)
    assert not axis.moving()
    axis.start_move(0.020)
    assert axis.moving()
    clock.sleep(0.019)
    assert axis.moving()
    clock.sleep(0.002)
    assert not axis.moving()


def test_motion_that_was_seen_and_ended_is_over_at_once(bench):
    controller = PlainController()
    device, _, clock = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.start_move(0.020)
    controller.status[1] = "11"
    assert axis.moving()
    controller.status[1] = "10"
    assert not axis.moving()
    clock.sleep(10.0)
    assert not axis.moving()


@pytest.mark.parametrize(
    ("bits", "target", "told"),
    [
        ("18", 0.020, "fault"),
        ("14", 0.020, "high limit switch"),
        ("12", 0.005, "low limit switch"),
    ],
)
def test_fault_or_limit_switch_ends_the_motion_as_refused(bench, bits, target, told):
    controller = PlainController()
    device, _, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.start_move(target)
    controller.status[1] = bits
    with pytest.raises(Refused, match=told):
        axis.moving()


def test_limit_switch_that_the_axis_is_leaving_is_no_reason_to_stop(bench):
    controller = PlainController()
    controller.status[1] = "12"
    device, _, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.start_move(0.020)
    assert axis.moving()


def test_power_cycle_shows_as_a_lost_reference(bench):
    controller = PlainController()
    device, _, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    assert axis.referenced()
    controller.status[1] = "00"
    assert not axis.referenced()
    with pytest.raises(Refused, match="lost its reference"):
        axis.moving()


def test_homing_may_clear_the_reference_and_find_it_again(bench):
    controller = PlainController()
    device, instrument, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.home()
    controller.status[1] = "01"
    assert axis.moving()
    controller.status[1] = "10"
    assert not axis.moving()
    assert sent(instrument, b"HO") == [b"1 HO"]
