"""Messages of IEEE 488.2 and SCPI-1999, on bytes."""

from __future__ import annotations

import contextlib
import math

import pytest
from autocell_drivers import scpi_codec
from autocell_drivers.scpi_codec import SettingTemplate
from hypothesis import given
from hypothesis import strategies as st

from autocell.errors import BadReply

VALUES = {
    "wavelength_nm": 1654.0,
    "wavelength_m": 1.654e-6,
    "range_w": 0.01,
    "averages": 50,
    "averaging_ms": 50.0,
}


# IEEE 488.2-1992, 8.7: decimal numeric response data NR1, NR2 and NR3, and SCPI-1999 volume 1,
# 7.2.1: 9.9E37 infinity, -9.9E37 minus infinity, 9.91E37 not a number (all from memory).
@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (b"12", 12.0),
        (b"+1.250", 1.25),
        (b"-3.4E-05", -3.4e-5),
        (b" 1.0E-3 \r", 1e-3),
        (b"9.9E37", math.inf),
        (b"+9.9E+37", math.inf),
        (b"-9.9E37", -math.inf),
        (b"9.90000000E+37", math.inf),
        (b"9.91E37", math.nan),
        (b"NAN", math.nan),
        (b"NINF", -math.inf),
        (b"inf", math.inf),
    ],
)
def test_numbers_of_the_standards(raw, expected):
    found = scpi_codec.number(raw)
    assert found == expected or (math.isnan(found) and math.isnan(expected))


@pytest.mark.parametrize(
    "raw", [b"", b"1.2E", b"1_000", b"1,2", b"0x1F", b"1.2.3", b"\xb2", b"12 W"]
)
def test_what_is_no_number_is_a_bad_reply(raw):
    with pytest.raises(BadReply):
        scpi_codec.number(raw)


def test_reading_within_range_is_a_power():
    assert scpi_codec.reading(b"4.2E-3", 0.01) == scpi_codec.RawReading(4.2e-3)
    assert scpi_codec.reading(b"-2.0E-9", 0.01).power_w == -2e-9


@pytest.mark.parametrize("raw", [b"9.9E37", b"-9.9E37", b"9.91E37", b"NAN", b"1.0E-2", b"-1.2E-2"])
def test_overflow_and_saturation_carry_no_power(raw):
    found = scpi_codec.reading(raw, 0.01)
    assert found.overrange
    assert math.isnan(found.power_w)


def test_reading_that_lost_its_exponent_is_no_reading():
    with pytest.raises(BadReply, match="range"):
        scpi_codec.reading(b"4.2", 0.01)


def test_identity_has_four_fields():
    assert scpi_codec.identity(b"BOG,POWER-METER,7,1.0\r") == "BOG,POWER-METER,7,1.0"
    for raw in (b"POWER-METER", b"1.2E-3", b"a,b,c", b"a,b,c,\x01"):
        with pytest.raises(BadReply):
            scpi_codec.identity(raw)


def test_error_queue_entries():
    assert scpi_codec.error(b'+0,"No error"') == (0, "No error")
    assert scpi_codec.error(b'-222,"Data out of range;50"') == (-222, "Data out of range;50")
    with pytest.raises(BadReply):
        scpi_codec.error(b"1.2E-3")


@pytest.mark.parametrize(
    ("found", "expected", "same"),
    [
        ("1.654000E+03", "1654.0", True),
        ("1653", "1654", True),
        ("1550", "1654", False),
        ("0", "0.01", False),
        ("on", "ON", True),
        ("1", "ON", False),
        ("9.91E37", "0.01", False),
        ("nonsense", "0.01", False),
    ],
)
def test_a_setting_agrees_within_a_thousandth(found, expected, same):
    assert scpi_codec.same(found, expected) is same


def test_templates_are_filled_with_the_values_of_the_bench_file():
    row = SettingTemplate("SENS:POW:WAV {wavelength_nm:.1f}", "SENS:POW:WAV?", "{wavelength_nm}")
    assert row.fill(VALUES) == SettingTemplate("SENS:POW:WAV 1654.0", "SENS:POW:WAV?", "1654.0")
    counted = SettingTemplate("SENS:AVER:COUN {averages:d}", "SENS:AVER:COUN?", "{averages}")
    assert counted.fill(VALUES).set == "SENS:AVER:COUN 50"


@pytest.mark.parametrize(
    "template",
    [
        "{wave}",
        "{wavelength_nm:d}",
        "{",
        "{0}",
        "{averages.real.__class__}{x}",
        "{averages[0]}",
        "µ",
    ],
)
def test_template_that_cannot_be_filled_is_told(template):
    with pytest.raises(ValueError, match="set"):
        SettingTemplate(template, "A?", "1").fill(VALUES)


@given(st.binary(max_size=80), st.sampled_from(["text", "identity", "number", "error", "reading"]))
def test_any_bytes_are_a_value_or_a_bad_reply(raw, codec):
    with contextlib.suppress(BadReply):
        if codec == "reading":
            found = scpi_codec.reading(raw, 0.01)
            assert found.overrange or abs(found.power_w) < 0.01
        else:
            getattr(scpi_codec, codec)(raw)


@given(st.floats(-0.0099, 0.0099))
def test_powers_survive_the_wire(power_w):
    assert scpi_codec.reading(b"%.9E" % power_w, 0.01).power_w == pytest.approx(power_w, rel=1e-9)
