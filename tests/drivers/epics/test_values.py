"""What records decode to: whatever a server sends, a number, a text or an error of ours."""

from __future__ import annotations

import math

import numpy as np
import pytest
from autocell_drivers.epics_channels import decoded
from hypothesis import given
from hypothesis import strategies as st

from autocell.errors import BadReply

SCALARS = st.floats(width=64) | st.integers(-(2**31), 2**31 - 1)
"""DBR_DOUBLE, FLOAT and ENUM, SHORT, LONG and CHAR, as the client hands them over."""


@given(
    st.lists(st.binary(max_size=40), max_size=3)
    | st.lists(st.floats(width=64), max_size=5).map(np.array)
    | st.lists(st.integers(-(2**31), 2**31 - 1), max_size=5).map(np.array)
    | st.binary(max_size=60).map(lambda raw: np.frombuffer(raw, np.uint8))
    | st.binary(max_size=60).map(lambda raw: np.frombuffer(raw, np.int8))
)
def test_any_array_is_a_number_a_text_or_an_error_of_the_tree(data):
    try:
        value = decoded(data)
    except BadReply:
        assert len(data) != 1
    else:
        assert isinstance(value, float | str)


@given(SCALARS)
def test_number_comes_back_as_it_was(value):
    found = decoded([value])
    assert found == value or (math.isnan(found) and math.isnan(value))


@given(st.text(st.characters(min_codepoint=1, max_codepoint=255), min_size=2, max_size=300))
def test_long_text_comes_back_whole_and_ends_at_its_zero(text):
    raw = np.frombuffer(text.encode("latin-1") + b"\0old", np.uint8)
    assert decoded(raw) == text


@pytest.mark.parametrize("data", [(), np.array([1.5, 2.0]), np.array([math.nan, 1.0]), [300, 1]])
def test_waveform_is_told_from_a_text(data):
    with pytest.raises(BadReply, match=r"no value|neither one nor a text"):
        decoded(data)
