"""Replies of thermometers: whatever comes is a temperature, none, or an error of ours."""

from __future__ import annotations

import math

import pytest
from autocell_drivers.scpi_thermometer import temperature
from hypothesis import given
from hypothesis import strategies as st

from autocell.errors import BadReply

NEAR_MISSES = st.from_regex(r"[+-]?[0-9]{0,3}\.?[0-9]{0,3}([eE][+-]?[0-9]{1,2})?", fullmatch=True)


@given(st.binary(max_size=60) | NEAR_MISSES.map(str.encode))
def test_any_bytes_are_a_temperature_none_or_an_error_of_the_tree(raw):
    try:
        found = temperature(raw)
    except BadReply:
        return
    assert math.isnan(found) or -90.0 <= found <= 150.0


@given(st.floats(-90.0, 150.0), st.sampled_from([".3f", "+.4E", "f"]))
def test_temperature_comes_back_to_its_last_digit(celsius, form):
    said = format(celsius, form)
    assert temperature(said.encode()) == float(said)


@pytest.mark.parametrize("raw", [b"9.9E37", b"-9.9E37", b"9.91E37", b"NAN"])
def test_what_scpi_writes_for_none_is_none(raw):
    assert math.isnan(temperature(raw))


@pytest.mark.parametrize("raw", [b"293.15", b"-300", b"1e9", b"", b"21,5"])
def test_kelvin_and_damaged_replies_are_refused(raw):
    with pytest.raises(BadReply):
        temperature(raw)
