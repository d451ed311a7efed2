"""Servers that go, come back, or are others than the bench file says."""

from __future__ import annotations

import pytest

from autocell.errors import Disconnected, WrongIdentity
from tests.drivers.epics.systems import SPACING, go, insist, open_system

pytestmark = pytest.mark.thorough


def test_identity_that_is_another_is_refused(bog):
    with pytest.raises(WrongIdentity, match="BOG-IOC 7"):
        open_system("base", identity="FEN-IOC")


def test_server_that_dies_is_noticed_and_one_that_comes_back_is_believed_again(mortal):
    server, opened = mortal
    device = opened(reconnect_s=20)
    axis = device.axis("spacing", SPACING)
    go(axis, 15e-3)
    server.kill()
    with pytest.raises(Disconnected):
        axis.stop()
    server.start()
    assert axis.position() == pytest.approx(10e-3, abs=1e-4)  # it starts where bog.db says
    assert "is back" in device.notes[-1]
    go(axis, 11e-3)


def test_server_that_stays_away_is_disconnected_and_another_in_its_place_never_spoken_to(mortal):
    server, opened = mortal
    device = opened(reconnect_s=0.3)
    axis = device.axis("spacing", SPACING)
    server.kill()
    with pytest.raises(Disconnected, match="not come back"):
        axis.position()
    with pytest.raises(Disconnected):
        axis.start_move(11e-3)
    server.start(name="FEN-IOC 3")
    with pytest.raises(WrongIdentity, match="FEN-IOC 3"):
        insist(axis.position)
    with pytest.raises(WrongIdentity):
        axis.start_move(11e-3)
    with pytest.raises(WrongIdentity):
        axis.stop()
