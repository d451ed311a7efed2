"""G-code and status reports, byte for byte as the firmware's pages show them.

Examples marked with a page name are from the documentation of Grbl 1.1 (doc/markdown in its
repository, GPL: quoted, not copied).
"""

from __future__ import annotations

import contextlib

import pytest
from autocell_drivers import gcode_codec as codec
from autocell_drivers.exchange import Unfinished
from hypothesis import given
from hypothesis import strategies as st

from autocell.errors import BadReply, Refused


def test_jog_says_millimetres_machine_coordinates_and_absolute_whatever_the_modes_are():
    line = codec.jog({"X": 10.0, "Y": -1.5}, 300.0)
    assert line == b"$J=G21 G53 G90 X10.000 Y-1.500 F300.000\n"
    assert codec.jog({"A": -0.0001}, 0.0) == b"$J=G21 G53 G90 A0.000 F0.001\n"


@given(st.floats(-1000.0, 1000.0))
def test_target_crosses_the_wire_within_half_its_last_digit(target):
    word = codec.jog({"X": target}, 1.0).split()[3]
    assert float(word[1:]) == pytest.approx(target, abs=0.5001e-3)


@pytest.mark.parametrize(
    ("raw", "state", "moves", "x"),
    [
        (b"<Idle|MPos:0.000,0.000,0.000|FS:0.0,0>", "Idle", False, 0.0),  # Interface
        (b"<Jog|MPos:-2.500,0.000,11.000|FS:500,0|WCO:0.000,1.551,5.664>", "Jog", True, -2.5),
        (b"<Hold:0|MPos:1.000,2.000,3.000>", "Hold", False, 1.0),
        (b"<Hold:1|MPos:1.000,2.000,3.000>", "Hold", True, 1.0),
        (b"<Run|MPos:1.000,2.000,3.000,4.000|Bf:15,128|Ln:3|FS:1,0|Pn:XZ|Ov:100,100,100>", "Run",
         True, 1.0),
        (b"<Home|MPos:1.000,2.000,3.000>", "Home", True, 1.0),
        (b"<Alarm|MPos:1.000,2.000,3.000>", "Alarm", False, 1.0),
    ],
)  # fmt: skip
def test_reports_of_every_state(raw, state, moves, x):
    report = codec.report(raw)
    assert (report.state, report.moves, report.positions["X"]) == (state, moves, x)


def test_pins_and_fourth_axis_of_a_report():
    report = codec.report(b"<Run|MPos:1.000,2.000,3.000,4.000|Pn:XZ>\r")
    assert report.pins == {"X", "Z"}
    assert dict(report.positions) == {"X": 1.0, "Y": 2.0, "Z": 3.0, "A": 4.0}


@pytest.mark.parametrize(
    "raw",
    [
        b"<Idle|MPos:0.000,0.000,0.0", b"ok", b"<Idle>", b"<Idle|MPos:>", b"<Idle|MPos:1,,2>",
        b"<Idle|MPos:1.0,nan,2.0>", b"<Idel|MPos:1.0,2.0,3.0>", b"<Idle|MPos:1,2,3,4,5,6,7>",
        b"\xff\xfe", b"<Id<Idle|MPos:0.000,0.000,0.000>", b"<Idle|MPos:1e3,0,0>",
    ],
)  # fmt: skip
def test_damaged_report_is_a_bad_reply(raw):
    with pytest.raises(BadReply):
        codec.report(raw)


def test_work_positions_are_refused_with_the_setting_that_is_wrong():
    with pytest.raises(Refused, match=r"\$10"):
        codec.report(b"<Idle|WPos:0.000,0.000,0.000>")


@pytest.mark.parametrize(
    "raw",
    [b"", b"[MSG:Caution: Unlocked]", b"Grbl 1.1h ['$' for help]", b">G54G20:ok", b"[echo:G1X0]"],
)
def test_what_is_said_unasked_is_passed_over(raw):
    with pytest.raises(Unfinished):
        codec.report(raw)
    with pytest.raises(Unfinished):
        codec.done(raw)


def test_errors_and_alarms_are_refused_in_words():
    with pytest.raises(Refused, match="beyond its travel"):
        codec.done(b"error:15")
    with pytest.raises(Refused, match="error:77"):
        codec.done(b"error:77")
    with pytest.raises(Refused, match="switch"):
        codec.report(b"ALARM:1")
    assert codec.done(b"ok") is None


def hear(parse, lines):
    """The value of the first line that ends an answer."""
    for line in lines:
        try:
            return parse(line)
        except Unfinished:
            continue
    raise AssertionError("the answer has no end")


def test_build_and_settings_are_several_lines_that_ok_ends():
    lines = [b"[VER:1.1d.20161014:Some string]", b"[OPT:VL]", b"ok"]  # Interface
    build = hear(codec.build(), lines)
    assert (build.version, build.options) == ("1.1d.20161014:Some string", "VL")
    lines = [b"$10=1", b"$20=1", b"$130=200.000 (x max travel, mm)", b"ok"]
    assert hear(codec.settings(), lines) == {10: 1.0, 20: 1.0, 130: 200.0}
    with pytest.raises(BadReply):
        hear(codec.settings(), [b"ok"])
    with pytest.raises(BadReply):
        hear(codec.build(), [b"ok"])


def test_travel_runs_from_minus_the_length_to_zero_unless_homing_sets_the_origin():
    told = {20: 1.0, 23: 2.0, 130: 200.0, 131: 100.0}
    assert codec.travel(told, "V", "X") == (-200.0, 0.0)
    assert codec.travel(told, "VZ", "X") == (-200.0, 0.0)
    assert codec.travel(told, "VZ", "Y") == (0.0, 100.0)
    assert codec.travel(told, "V", "Z") is None
    assert codec.travel({**told, 20: 0.0}, "V", "X") is None


def test_parser_state_is_ended_only_by_the_ok_right_after_it():
    parse = codec.parser_state()
    with pytest.raises(BadReply):
        parse(b"ok")
    with pytest.raises(Unfinished):
        parse(b"[GC:G0 G54 G17 G21 G90 G94 M0 M5 M9 T0 F0. S0.]")  # Interface
    with pytest.raises(BadReply):
        parse(b"<Idle|MPos:0.000,0.000,0.000>")
    with pytest.raises(BadReply):
        parse(b"ok")
    with pytest.raises(Unfinished):
        parse(b"[GC:G0]")
    assert parse(b"ok") == "G-code"


@given(st.binary(max_size=80))
def test_any_bytes_are_a_value_or_an_error_of_ours(raw):
    for parse in (codec.report, codec.done, codec.parser_state(), codec.build(), codec.settings()):
        with contextlib.suppress(BadReply, Refused, Unfinished):
            parse(raw)
