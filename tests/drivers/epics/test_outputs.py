"""Outputs that an axis follows: within their limits, stopped, and in strides."""

from __future__ import annotations

import threading

import pytest

from autocell.bench.protocols import ReportsLimits
from autocell.errors import BenchFileError, LimitError, NoReply
from tests.drivers.epics.systems import CLOCK, SPACING, open_system, read, wait_until_rest

pytestmark = pytest.mark.thorough

HANGING = {"device": "bog", "channel": "x:m", "limits_mrad": [0, 10], "units_per_mrad": 1.0}


def test_output_of_epics_base_slews_to_where_it_was_sent_and_no_further(bog):
    axis = bog.axis("spacing", SPACING)
    assert bog.identity == "BOG-IOC 7"
    assert isinstance(axis, ReportsLimits)
    assert axis.limits() == pytest.approx((0.0, 50e-3))
    target = 12e-3 if axis.position() < 11e-3 else 10e-3
    axis.start_move(target)
    assert axis.moving()
    wait_until_rest(axis)
    assert axis.position() == pytest.approx(target, abs=3e-6)


def test_stop_ends_a_slew_on_its_way(bog):
    axis = bog.axis("spacing", SPACING)
    start = axis.position()
    axis.start_move(45e-3)
    CLOCK.sleep(0.5)
    axis.stop()
    wait_until_rest(axis)
    at = axis.position()
    assert start < at < 44e-3
    CLOCK.sleep(0.3)
    assert axis.position() == at


def test_target_beyond_the_drive_limits_is_refused_and_never_clipped(bog):
    axis = bog.axis("spacing", SPACING)
    at = axis.position()
    for target in (51e-3, -1e-3, float("nan")):
        with pytest.raises(LimitError):
            axis.start_move(target)
    assert not axis.moving()
    assert axis.position() == at


def test_output_is_told_to_stop_although_the_one_before_it_does_not_answer(
    base_server, hanging_server
):
    """Neither has a record that stops it: where it is has to be read first."""
    device = open_system("hanging")
    hung = device.axis("pitch", HANGING)
    axis = device.axis("spacing", SPACING)
    axis.start_move(45e-3 if axis.position() < 25e-3 else 5e-3)
    hanging_server.hang()
    try:
        for told in (hung, axis):
            told.send_stop()
        with pytest.raises(NoReply):
            hung.stop()
        wait_until_rest(axis)
        at = axis.position()
        assert 5.5e-3 < at < 44.5e-3
        assert read("BOG:m1:target") == pytest.approx(at * 1e3, abs=1.0)
    finally:
        hanging_server.go_on()
    axis.stop()
    hung.stop()
    device.close()


def test_stop_that_is_answered_late_stops_no_move_that_was_asked_for_meanwhile(
    base_server, hanging_server
):
    device = open_system("hanging")
    axis = device.axis("pitch", HANGING)
    hanging_server.hang()
    goes_on = threading.Timer(0.2, hanging_server.go_on)
    goes_on.start()
    axis.send_stop()
    axis.start_move(7e-3)
    goes_on.join()
    CLOCK.sleep(0.2)
    assert read("BOG:x:m") == 7.0
    device.close()


def test_output_is_led_in_strides_to_the_same_place(base_server):
    device = open_system("base", outputs={"m1:target": {"readback": "m1:rbv", "stride": 0.4}})
    try:
        axis = device.axis("spacing", SPACING)
        start = axis.position()
        target = start + (1e-3 if start < 25e-3 else -1e-3)
        axis.start_move(target)
        assert read("BOG:m1:target") == pytest.approx(
            start * 1e3 + (0.4 if target > start else -0.4)
        )
        wait_until_rest(axis)
        assert axis.position() == pytest.approx(target, abs=3e-6)
    finally:
        device.close()


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"outputs": {"m1:target": {"readback": "m1:rbv", "no_drive_limits": True}}}, "0 to 50"),
        ({"units": {"m1:target": "um"}}, r"EGU\) is 'mm'.*'um'"),
    ],
)
def test_what_the_bench_file_says_of_a_record_that_says_otherwise_is_refused(
    base_server, changes, told
):
    device = open_system("base", **changes)
    try:
        with pytest.raises(BenchFileError, match=told):
            device.axis("spacing", SPACING)
    finally:
        device.close()
