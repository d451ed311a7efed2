"""Stops, confirmed or not, and the output that drives a shutter."""

from __future__ import annotations

import pytest

from autocell.errors import Refused
from tests.drivers.ascii_motion.plain_controller import SPACING, PlainController


def test_stop_is_the_next_thing_sent_and_forgets_the_move(bench):
    controller = PlainController()
    device, instrument, _ = bench(controller)
    axis = device.axis("spacing", SPACING)
    axis.start_move(0.020)
    axis.stop()
    assert instrument.lines[-2:] == [b"1 MA 20.00000", b"1 SP"]
    assert not axis.moving()


def test_stop_that_is_not_confirmed_stops_every_axis(bench):
    controller = PlainController()
    controller.trouble["# SP"] = [[]]
    device, instrument, _ = bench(controller)
    device.axis("spacing", SPACING).stop()
    assert [line for line in instrument.lines if b"SP" in line] == [b"1 SP", b"0 SP", b"1 SP"]


def test_shutter_is_confirmed_by_the_output_it_drives(bench):
    controller = PlainController()
    device, _, _ = bench(controller)
    shutter = device.shutter({"device": "motion", "channel": 1})
    shutter.close()
    assert controller.output == "0"
    shutter.open()
    assert controller.output == "1"
    controller.trouble["# OU #"] = [[b"1 OK\r\n"]]
    controller.trouble["# OU?"] = [[b"1 OU 1\r\n"]]
    with pytest.raises(Refused, match="reads back 1"):
        shutter.close()
