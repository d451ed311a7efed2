"""Sections of the bench file that cannot be used."""

from __future__ import annotations

import sys

import pytest
from autocell_drivers.epics import open_device

from autocell.bench.protocols import ChecksSection
from autocell.errors import BenchFileError
from tests.drivers.epics.systems import CLOCK, SPACING, SYSTEMS

pytestmark = pytest.mark.thorough


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (SPACING | {"channel": "nobody"}, "nobody"),
        (SPACING | {"direction": 0}, "direction"),
        ({**SPACING, "limits_mrad": [0, 1], "channel": "m1:target"}, None),
    ],
)
def test_axis_that_cannot_be_used_is_refused(bog, words, told):
    if told is None:
        del words["limits_mm"]
        told = "units_per_mrad"
    with pytest.raises(BenchFileError, match=told):
        bog.axis("spacing", words)


def test_section_is_checked_before_anything_is_searched():
    assert isinstance(open_device, ChecksSection)
    good = {"driver": "epics", "address": "X:", "identity": "X", "identity_pv": "NAME"}
    open_device.check(good)
    for wrong, told in (
        ({"identity_pv": None}, "identity_pv"),
        ({"baud": 1}, "baud"),
        ({"outputs": []}, "outputs"),
        ({"outputs": {"a": {"moving": "b"}}}, "readback"),
        ({"outputs": {"a": {"readback": "b", "speed": "c"}}}, "speed"),
        ({"outputs": {"a": "b"}}, "outputs.a"),
        ({"outputs": {"a": {"readback": "b", "stride": 0}}}, "stride"),
        ({"outputs": {"a": {"readback": "b", "no_drive_limits": 1}}}, "true or false"),
        ({"units": ["mm"]}, "units"),
        ({"units": {"a": 1}}, "units.a"),
    ):
        with pytest.raises(BenchFileError, match=told):
            open_device.check(good | wrong)


def test_missing_client_library_is_told_with_its_cure(monkeypatch):
    monkeypatch.setitem(sys.modules, "caproto.threading.client", None)
    with pytest.raises(BenchFileError, match=r"autocell\[epics\]"):
        open_device({"driver": "epics", **SYSTEMS["base"]}, CLOCK, None)
