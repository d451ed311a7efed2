"""The meter's SCPI, against IEEE 488.2 and SCPI-1999 as remembered [mem] where not said."""

import itertools
import re
from collections.abc import Callable

import numpy as np
import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.meter import MeterTraits, SimulatedMeter
from autocell_simulators.scpi_meter import ScpiMeter
from hypothesis import given, settings
from hypothesis import strategies as st

from autocell.bench.clock import VirtualClock

Ask = Callable[[str], str]


def test_identity_has_the_four_fields_of_ieee_488_2(meter: Ask) -> None:
    assert meter("*IDN?") == "EXAMPLE,POWER-METER,0001,1.0"


@pytest.mark.parametrize(
    "query",
    [
        "SENS:POW:WAV?",
        "SENSE:POWER:WAVELENGTH?",
        "sens:pow:wav?",
        ":Sense1:Power:DC:Wavelength?",
        "POW:WAV?",
        "  SENS:POW:WAV?  ",
        "SENS:POW:WAV?\r",
    ],
)
def test_long_short_and_mixed_case_headers_are_one(meter: Ask, query: str) -> None:
    assert float(meter(query)) == pytest.approx(1550.0)


@pytest.mark.parametrize("query", ["SENSE:POWE:WAV?", "SEN:POW:WAV?", "SENS:WAV?", "*FOO?"])
def test_any_other_abbreviation_is_an_undefined_header(meter: Ask, query: str) -> None:
    assert meter(f"{query}\nSYST:ERR?") == '-113,"Undefined header"'


@pytest.mark.parametrize(
    ("command", "error"),
    [
        ("SENS:POW:WAV", '-109,"Missing parameter"'),
        ("SENS:POW:WAV 1,2", '-108,"Parameter not allowed"'),
        ("*RST 1", '-108,"Parameter not allowed"'),
        ("SENS:POW:WAV abc", '-104,"Data type error"'),
        ("SENS:POW:WAV 1550 KG", '-131,"Invalid suffix"'),
        ("SENS:POW:WAV 5000", '-222,"Data out of range"'),
        ("SENS:POW:RANG 50", '-222,"Data out of range"'),
        ("SENS:AVER:COUN 0", '-222,"Data out of range"'),
        ("*ESE 1E999", '-222,"Data out of range"'),
        ("SENS:POW:RANG:AUTO 1E999", '-222,"Data out of range"'),
        ("FETC?", '-230,"Data corrupt or stale"'),
        ("INIT;INIT", '-213,"Init ignored"'),
        ("UNIT:POW DBM", '-224,"Illegal parameter value"'),
        ("?", '-102,"Syntax error"'),
        ("SENS::POW?", '-102,"Syntax error"'),
        ("\x07", '-101,"Invalid character"'),
        ("A" * 3000, '-363,"Input buffer overrun"'),
    ],
)
def test_errors_carry_the_numbers_of_scpi_1999(meter: Ask, command: str, error: str) -> None:
    # SCPI-1999 volume 2, chapter 21 [mem]
    assert meter(f"{command}\nSYST:ERR?") == error
    assert meter("SYST:ERR?") == '0,"No error"'


def test_settings_read_back_what_was_taken(meter: Ask) -> None:
    reply = meter("SENS:POW:WAV 1.654UM;RANG 8MW;:SENS:AVER:COUN 80;*OPC?")
    assert reply == "1"
    assert float(meter("SENS:POW:WAV?")) == pytest.approx(1654.0)
    assert float(meter("SENS:POW:RANG?")) == pytest.approx(10e-3)
    assert meter("SENS:AVER:COUN?") == "80"
    assert meter("SENS:POW:RANG:AUTO?") == "0"


def test_minimum_and_maximum_can_be_asked_for_and_set(meter: Ask) -> None:
    assert float(meter("SENS:POW:WAV? MIN")) == pytest.approx(400.0)
    assert float(meter("SENS:POW:WAV MAX;WAV?")) == pytest.approx(1800.0)
    assert float(meter("SENS:POW:RANG? MAX")) == pytest.approx(1.0)


def test_a_compound_message_answers_in_one_line_from_the_same_branch(meter: Ask) -> None:
    assert meter("SENS:POW:WAV 1000;WAV?;*IDN?;WAV?") == (
        "1000.000;EXAMPLE,POWER-METER,0001,1.0;1000.000"
    )


def test_after_a_command_error_the_rest_of_the_message_is_dropped(meter: Ask) -> None:
    assert meter("SENS:POW:WAV 1000;FOO;WAV 1200\nSENS:POW:WAV?") == "1000.000"


def test_power_on_and_errors_show_in_the_standard_event_register_once(meter: Ask) -> None:
    # IEEE 488.2: bit 7 power on, 5 command error, 4 execution error [mem]
    assert meter("*ESR?") == "128"
    assert meter("FOO\nSENS:POW:WAV 1\n*ESR?") == "48"
    assert meter("*ESR?") == "0"


def test_the_status_byte_tells_of_errors_events_and_service_requests(meter: Ask) -> None:
    assert meter("*CLS;*STB?") == "0"
    assert meter("*ESE 32;*SRE 32;*ESE?") == "32"
    assert meter("FOO\n*STB?") == str(4 + 32 + 64)
    assert meter("*CLS;*STB?") == "0"


def test_the_error_queue_overflows_with_its_own_error(meter: Ask) -> None:
    assert meter("FOO\n" * 30 + "SYST:ERR:COUN?") == "20"
    errors = [meter("SYST:ERR?") for _ in range(21)]
    assert errors[18:] == ['-113,"Undefined header"', '-350,"Queue overflow"', '0,"No error"']


def test_a_reading_is_ready_after_its_averaging_time(meter: Ask, clock: VirtualClock) -> None:
    meter("SENS:POW:WAV 1654;RANG 10MW;:SENS:AVER:COUN 200;*OPC?")
    clock.sleep(1.0)
    began_s = clock.now()
    value = meter("READ?")
    assert clock.now() - began_s == pytest.approx(0.2, abs=0.01)
    assert re.fullmatch(r"[+-]\d\.\d{8}E[+-]\d\d", value)
    assert 5e-3 < float(value) < 9e-3


@pytest.mark.parametrize("query", ["READ?", "MEAS:POW?", "MEASURE:SCALAR:POWER:DC?", "INIT;FETC?"])
def test_every_way_to_measure_gives_the_same_power(meter: Ask, query: str) -> None:
    meter("SENS:POW:WAV 1654;RANG 10MW;*OPC?")
    assert float(meter(query)) == pytest.approx(float(meter("READ?")), rel=0.03)


def test_fetch_gives_the_last_reading_again_and_read_a_fresh_one(meter: Ask) -> None:
    first = meter("READ?")
    assert meter("FETC?") == first
    assert meter("READ?") != first


def test_saturation_is_written_as_the_infinity_of_scpi(meter: Ask) -> None:
    # SCPI-1999 volume 1, 7.2.1.4: infinity is 9.9E37 [mem]
    meter("SENS:POW:RANG 1E-3;*OPC?")
    assert float(meter("READ?")) == 9.9e37


def test_operation_complete_waits_for_the_measurement(meter: Ask, clock: VirtualClock) -> None:
    meter("*CLS;SENS:AVER:COUN 1000;*OPC?")
    assert meter("INIT;*OPC;*ESR?") == "0"
    began_s = clock.now()
    assert meter("*OPC?") == "1"
    assert clock.now() - began_s > 0.9
    assert meter("*ESR?") == "1"


def test_zeroing_in_the_dark_takes_the_dark_level_out(meter: Ask, bench: SimulatedBench) -> None:
    bench.laser_on = False
    meter("SENS:POW:RANG 1E-6;*OPC?")
    before = np.mean([float(meter("READ?")) for _ in range(10)])
    meter("SENS:CORR:COLL:ZERO;*OPC?")
    after = np.mean([float(meter("READ?")) for _ in range(10)])
    assert before == pytest.approx(bench.truth.dark_offset_w + bench.truth.room_light_w, rel=0.01)
    assert abs(after) < 1e-10
    assert float(meter("SENS:CORR:COLL:ZERO:MAGN?")) == pytest.approx(before, rel=0.01)


def test_reset_forgets_the_settings_and_keeps_the_identity(meter: Ask) -> None:
    meter("SENS:POW:WAV 1000;RANG 1E-3;*OPC?")
    assert float(meter("*RST;SENS:POW:WAV?")) == pytest.approx(1550.0)
    assert meter("SENS:POW:RANG:AUTO?") == "1"


def test_commands_behind_a_reading_wait_their_turn(meter: Ask) -> None:
    assert float(meter("READ?\nSENS:POW:WAV 1000\nSENS:POW:WAV?")) < 1.0
    assert meter("*OPC?") == "1000.000"


def a_session() -> ScpiMeter:
    traits = MeterTraits(1654e-9, 0.0, 1e-9, 0.05, 10e-3, 0.0)
    return ScpiMeter(SimulatedMeter(traits, np.random.default_rng(0)))


@settings(max_examples=300)
@given(
    st.binary(max_size=100)
    | st.lists(
        st.sampled_from(
            ["SENS", "POW", "WAV", "RANG", "AUTO", ":", ";", "?", " ", "1550", "ON", "*IDN", "MIN",
             "SYST:ERR", ",", "\n", "NM", "*ESE", "-1", "1E999", "READ", "INIT", "*OPC",
             "AVER:COUN", "UNIT"]
        ),
        max_size=20,
    ).map("".join)
)  # fmt: skip
def test_whatever_arrives_the_meter_stays_sane(data: bytes | str) -> None:
    session = a_session()
    session.feed((data.encode() if isinstance(data, str) else data) + b"\n", 0.0)
    assert session.take().isascii()
    session.hang_up()
    session.feed(b"*IDN?\n", 0.0)
    assert session.take() == b"EXAMPLE,POWER-METER,0001,1.0\n"


@given(st.lists(st.integers(0, 40), max_size=8))
def test_replies_do_not_depend_on_how_the_bytes_arrive(cuts: list[int]) -> None:
    message = b"*IDN?\r\nSENS:POW:WAV 1200;WAV?\nFOO\nSYST:ERR?\n"
    whole, pieces = a_session(), a_session()
    whole.feed(message, 0.0)
    edges = [0, *sorted(cuts), len(message)]
    for start, end in itertools.pairwise(edges):
        pieces.feed(message[start:end], 0.0)
    assert pieces.take() == whole.take()
