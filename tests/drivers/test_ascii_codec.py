"""Three ASCII dialects of different style, on bytes.

The bytes of plain-motion are those of docs/plain-motion.md; those of the two other invented
controllers are written out here by hand, checksums included.
"""

from __future__ import annotations

import contextlib

import pytest
from autocell_drivers.ascii_codec import AsciiCodec, Status, WireUnits
from autocell_drivers.dialect import load_dialect
from hypothesis import given
from hypothesis import strategies as st

from autocell.bench.file import shipped
from autocell.errors import BadReply, Refused

NAMES = ("plain-motion", "step-counting-motion", "checked-motion")
DIALECTS = {name: load_dialect(shipped(name)) for name in NAMES}
CODECS = {name: AsciiCodec(dialect) for name, dialect in DIALECTS.items()}


@pytest.mark.parametrize(
    ("name", "phrase", "fields", "sent"),
    [
        ("plain-motion", "identity", {}, b"ID?\r"),
        ("plain-motion", "move_to", {"axis": "1", "target": "12.34560"}, b"1 MA 12.34560\r"),
        ("plain-motion", "move_by", {"axis": "1", "amount": "-0.50000"}, b"1 MR -0.50000\r"),
        ("plain-motion", "position", {"axis": "1"}, b"1 PO?\r"),
        ("plain-motion", "status", {"axis": "1"}, b"1 ST?\r"),
        ("plain-motion", "limits", {"axis": "1"}, b"1 LI?\r"),
        ("plain-motion", "stop", {"axis": "1"}, b"1 SP\r"),
        ("plain-motion", "stop_all", {}, b"0 SP\r"),
        ("plain-motion", "home", {"axis": "1"}, b"1 HO\r"),
        ("plain-motion", "set_output", {"output": "1", "state": "1"}, b"1 OU 1\r"),
        ("plain-motion", "output", {"output": "1"}, b"1 OU?\r"),
        ("step-counting-motion", "move_to", {"axis": "X", "target": "246912"}, b"GX246912;"),
        ("step-counting-motion", "position", {"axis": "A"}, b"PA?;"),
        # XOR of "#1 POS": 23^31^20^50^4F^53 = 7E; of "#0 STOP": 23^30^20^53^54^4F^50 = 2B
        ("checked-motion", "position", {"axis": "1"}, b"#1 POS*7E\r"),
        ("checked-motion", "stop_all", {}, b"#0 STOP*2B\r"),
    ],
)
def test_commands_on_the_wire(name, phrase, fields, sent):
    assert CODECS[name].encode(getattr(DIALECTS[name], phrase), **fields) == sent


def test_axis_names_are_letters_where_the_dialect_says_so():
    assert CODECS["step-counting-motion"].axis_name(2) == "A"
    assert CODECS["plain-motion"].axis_name(2) == "2"


@pytest.mark.parametrize(
    ("name", "phrase", "fields", "reply", "groups"),
    [
        ("plain-motion", "position", {"axis": "1"}, b"1 PO 12.34560", {"position": "12.34560"}),
        (
            "plain-motion",
            "limits",
            {"axis": "1"},
            b"1 LI 0.00000 50.00000",
            {"low": "0.00000", "high": "50.00000"},
        ),
        (
            "plain-motion",
            "identity",
            {},
            b"ID PLAIN-MOTION 1.2 SN 0417",
            {"identity": "PLAIN-MOTION 1.2 SN 0417"},
        ),
        ("plain-motion", "output", {"output": "1"}, b"1 OU 1", {"state": "1"}),
        ("step-counting-motion", "position", {"axis": "X"}, b"PX=-246912", {"position": "-246912"}),
        # XOR of "@1 GOTO 2.000000": the six zeros cancel
        (
            "checked-motion",
            "move_to",
            {"axis": "1", "target": "2.000000"},
            b"@1 GOTO 2.000000*7E",
            {},
        ),
    ],
)
def test_replies_on_the_wire(name, phrase, fields, reply, groups):
    assert CODECS[name].match(getattr(DIALECTS[name], phrase), reply, **fields) == groups


@pytest.mark.parametrize(
    ("name", "reply", "status"),
    [
        ("plain-motion", b"1 ST 11", Status(moving=True, referenced=True)),
        ("plain-motion", b"1 ST 10", Status(moving=False, referenced=True)),
        ("plain-motion", b"1 ST 0E", Status(False, True, True, True, False)),
        ("step-counting-motion", b"S1=0", Status(moving=True)),
        ("step-counting-motion", b"S1=137", Status(False, low_limit=True, fault=True)),
    ],
)
def test_status_words(name, reply, status):
    assert CODECS[name].status(reply, "1") == status


@pytest.mark.parametrize(
    ("letters", "status"),
    [
        (b"IR", Status(moving=False, referenced=True)),
        (b"MHF", Status(True, high_limit=True, fault=True, referenced=False)),
    ],
)
def test_status_letters_with_a_checksum(letters, status):
    text = b"@1 STATE " + letters
    checksum = 0
    for byte in text:
        checksum ^= byte
    codec = CODECS["checked-motion"]
    assert codec.status(text + b"*%02X" % checksum, "1") == status
    with pytest.raises(BadReply, match="checksum"):
        codec.status(text + b"*%02X" % (checksum ^ 1), "1")


@pytest.mark.parametrize(
    "reply",
    [b"1 PO 12.3", b"2 OK", b"OK", b"", b"1 OK ", b"1 ok", b"\xff\xfe", b"ID PLAIN-MOTION"],
)
def test_answer_to_something_else_is_a_bad_reply(reply):
    with pytest.raises(BadReply):
        CODECS["plain-motion"].match(DIALECTS["plain-motion"].stop, reply, axis="1")


@pytest.mark.parametrize(
    ("reply", "told"),
    [
        (b"1 ER 3 LIMIT", "beyond its travel"),
        (b"0 ER 1 COMMAND", "unknown to it"),
        (b"1 ER 4 BUSY", "still moving"),
        (b"1 ER 9 NEWS", "1 ER 9 NEWS"),
    ],
)
def test_refusal_of_the_controller_is_told_in_words(reply, told):
    with pytest.raises(Refused, match=told):
        CODECS["plain-motion"].match(DIALECTS["plain-motion"].stop, reply, axis="1")


def test_refusal_that_another_axis_was_given_is_not_ours():
    with pytest.raises(BadReply, match="about axis 2"):
        CODECS["plain-motion"].match(DIALECTS["plain-motion"].stop, b"2 ER 4 BUSY", axis="1")


@pytest.mark.parametrize(
    ("units", "position", "text"),
    [
        (WireUnits(1e3, 0.0, 5), 0.0123456, "12.34560"),
        (WireUnits(1e3, 0.0, 5), 0.123456789, "123.45679"),
        (WireUnits(1e3, 0.0, 5), -1e-10, "0.00000"),
        (WireUnits(-1e3, 0.0, 5), 0.002, "-2.00000"),
        (WireUnits(20000e3, 0.0, 0), 0.0123456, "246912"),
        (WireUnits(1250e3, 500000.0, 0), -0.015, "481250"),
    ],
)
def test_positions_keep_every_digit(units, position, text):
    assert units.to_wire(position) == text


@given(
    st.floats(-0.5, 0.5),
    st.sampled_from([1e3, -1e3, 20000e3, 1250e3]),
    st.sampled_from([0.0, 500000.0]),
    st.integers(0, 6),
)
def test_positions_come_back_within_half_the_last_digit(position, per_si, offset, decimals):
    units = WireUnits(per_si, offset, decimals)
    back = units.to_si(float(units.to_wire(position)))
    assert abs(back - position) <= 0.5 * units.resolution * (1 + 1e-6) + 1e-12


@given(st.sampled_from(NAMES), st.binary(max_size=60))
def test_any_bytes_are_a_value_or_an_error_of_the_tree(name, raw):
    codec, dialect = CODECS[name], DIALECTS[name]
    for query in (dialect.identity, dialect.position, dialect.stop):
        with contextlib.suppress(BadReply, Refused):
            codec.match(query, raw, axis="1")
    with contextlib.suppress(BadReply, Refused):
        codec.status(raw, "1")
    with contextlib.suppress(BadReply, Refused):
        codec.number(codec.match(dialect.position, raw, axis="1"), "position")


@given(
    st.sampled_from(NAMES),
    st.from_regex(r"[1X@#]{0,2}[ SP]{0,3}(POS?|ST|=)[ =]?[-+0-9.eE]{0,12}", fullmatch=True),
)
def test_near_misses_are_a_value_or_an_error_of_the_tree(name, text):
    codec, dialect = CODECS[name], DIALECTS[name]
    with contextlib.suppress(BadReply, Refused):
        codec.number(codec.match(dialect.position, text.encode(), axis="1"), "position")
