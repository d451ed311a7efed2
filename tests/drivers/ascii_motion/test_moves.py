"""Targets in the units of the controller, and moves that are lost, refused or late."""

from __future__ import annotations

import pytest

from autocell.errors import LimitError, NoReply, Refused
from tests.drivers.ascii_motion.plain_controller import SPACING, YAW, PlainController, sent


def test_positions_and_targets_cross_the_wire_in_controller_units(bench):
    device, instrument, _ = bench(PlainController())
    spacing, yaw = device.axis("spacing", SPACING), device.axis("yaw", YAW)
    assert spacing.position() == 0.01
    spacing.start_move(0.0123456)
    yaw.start_move(-0.0025)
    assert sent(instrument, b"MA") == [b"1 MA 12.34560", b"3 MA -2.50000"]
    assert spacing.position() == pytest.approx(0.0123456, abs=1e-12)
    assert yaw.position() == -0.0025


def test_axis_that_counts_the_other_way_in_other_units(bench):
    device, instrument, _ = bench(PlainController())
    axis = device.axis("spacing", SPACING | {"direction": -1, "units_per_mm": 2})
    axis.start_move(-0.0015)
    assert sent(instrument, b"MA") == [b"1 MA 3.00000"]
    assert axis.position() == -0.0015
    assert axis.limits() == (-0.025, 0.0)


def test_target_that_is_no_number_is_never_sent(bench):
    device, instrument, _ = bench(PlainController())
    axis = device.axis("spacing", SPACING)
    with pytest.raises(LimitError, match="nan"):
        axis.start_move(float("nan"))
    assert sent(instrument, b"MA") == []


def test_move_that_is_refused_twice_is_meant(bench):
    device, instrument, _ = bench(PlainController())
    axis = device.axis("spacing", SPACING)
    with pytest.raises(Refused, match="beyond its travel"):
        axis.start_move(0.060)
    assert sent(instrument, b"MA") == 2 * [b"1 MA 60.00000"]


def test_move_that_is_refused_for_another_reason_the_second_time_tells_the_first_as_well(bench):
    controller = PlainController()
    controller.trouble["# MA #"] = [[b"1 ER 6 FAULT\r\n"], [b"1 ER 4 BUSY\r\n"]]
    device, instrument, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    with pytest.raises(Refused, match=r"in fault.*sent once more.*still moving"):
        axis.start_move(0.020)
    assert sent(instrument, b"MA") == 2 * [b"1 MA 20.00000"]


def test_move_that_is_refused_twice_for_one_reason_tells_it_once(bench):
    controller = PlainController()
    controller.trouble["# MA #"] = 2 * [[b"1 ER 6 FAULT\r\n"]]
    device, _, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    with pytest.raises(Refused) as refused:
        axis.start_move(0.020)
    assert str(refused.value).count("in fault") == 1
    assert "once more" not in str(refused.value)


@pytest.mark.parametrize("reply", [[], [b"1 O"], [b"1 \xff\r\n"]])
def test_move_whose_acknowledgement_is_lost_is_not_sent_again(bench, reply):
    controller = PlainController()
    controller.trouble["# MA #"] = [reply]
    device, instrument, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.start_move(0.020)
    assert sent(instrument, b"MA") == [b"1 MA 20.00000"]
    assert axis.position() == 0.020


def test_move_under_way_without_acknowledgement_is_not_sent_again(bench):
    controller = PlainController()
    controller.deaf_to_moves = 1
    controller.status[1] = "11"
    controller.trouble["# MA #"] = [[]]
    device, instrument, _ = bench(controller)
    device.axis("spacing", SPACING).start_move(0.020)
    assert sent(instrument, b"MA") == [b"1 MA 20.00000"]


def test_move_that_never_arrived_is_sent_again_once_the_axis_is_seen_to_stand(bench):
    controller = PlainController()
    controller.deaf_to_moves = 1
    controller.trouble["# MA #"] = [[]]
    device, instrument, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.start_move(0.020)
    assert sent(instrument, b"MA") == [b"1 MA 20.00000"] * 2
    between = instrument.lines[instrument.lines.index(b"1 MA 20.00000") : -1]
    assert b"1 ST?" in between
    assert b"1 PO?" in between


def test_move_to_a_dead_controller_ends_as_no_reply(bench):
    controller = PlainController()
    device, instrument, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.position()
    controller.trouble.update({key: [[]] * 99 for key in ("# MA #", "# ST?", "ID?")})
    with pytest.raises(NoReply):
        axis.start_move(0.020)
    assert len(sent(instrument, b"MA")) == 1
