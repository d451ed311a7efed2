"""Dialect files: the three that come along load, and each mistake is told with its line."""

from __future__ import annotations

import pytest
from autocell_drivers.dialect import load_dialect

from autocell.bench.file import shipped
from autocell.errors import BenchFileError

PLAIN = shipped("plain-motion").read_text("utf-8")


@pytest.mark.parametrize("name", ["plain-motion", "step-counting-motion", "checked-motion"])
def test_shipped_dialects_load(name):
    assert load_dialect(shipped(name)).name == name


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("moving_bit_lag_ms: 20", "moving_lag_ms: 20", r"{line}: moving_lag_ms: no key"),
        ("  moving: 0x01", "  mowing: 0x01", r"{line}: status_bits.mowing: no key"),
        ("  base: 16", "  base: 7", r"{line}: status_bits.base: .*16"),
        ("  moving: 0x01", "  moving: many", r"{line}: status_bits.moving: .*integer"),
        ("  moving: 0x01\n", "", "either moving or in_position"),
        ("  moving: 0x01", "  moving: 1\n  in_position: 64", "either moving or in_position"),
        ("reply_time_ms: 300", "reply_time_ms: 0", r"{line}: reply_time_ms: .*greater than 0"),
        ("encoding: ascii", "encoding: runes", r"{line}: encoding: .*runes"),
        ("encoding: ascii", "encoding: ascii\nencoding: latin-1", "stands twice"),
        ("encoding: ascii", "encoding: [", "not valid YAML"),
        ("(?P<low>{number})", "{number}", r"limits\.reply needs the named group \(\?P<low>"),
        ("MA {target}", "MA", r"move_to\.send names no \{{target\}}"),
        ("MA {target}", "MA {goal}{target}", r"move_to: unknown field \{{goal\}}"),
        ("MR {amount}", "MR", r"move_by\.send names no \{{amount\}}"),
        ("{axis} PO?", "{axis} PÖ?", r"position\.send: .* cannot be written in ascii"),
        ("{axis} PO?", "{axis} PO?\\r", r"{line}: position\.send: .*command_ending"),
        ("PO (?P<position>", "PO ((?P<position>", r"{line}: position\.reply: .*regular expression"),
        ("units_per_mm: 1", "units_per_mm: 0", r"{line}: units\.linear\.units_per_mm: .*greater"),
        ("decimals: 5", "decimals: 5.5", r"units\.linear\.decimals: .*integer"),
        ('stop_all: {send: "0 SP", reply: "0 OK"}\n', "", "stop_all: missing"),
    ],
)
def test_mistake_is_refused_with_its_line_and_path(tmp_path, old, new, told):
    assert old in PLAIN
    path = tmp_path / "lab.yaml"
    path.write_text(PLAIN.replace(old, new, 1), encoding="utf-8")
    line = PLAIN[: PLAIN.index(old)].count("\n") + 1
    with pytest.raises(BenchFileError, match=told.format(line=line)) as refusal:
        load_dialect(path)
    assert str(path) in str(refusal.value)


def test_dialect_needs_a_move_of_one_kind_or_the_other(tmp_path):
    path = tmp_path / "lab.yaml"
    lines = PLAIN.splitlines(keepends=True)
    path.write_text("".join(line for line in lines if not line.startswith("move_to")), "utf-8")
    assert load_dialect(path).move_to is None
    path.write_text("".join(line for line in lines if not line.startswith("move_")), "utf-8")
    with pytest.raises(BenchFileError, match="no move; write move_to, or move_by"):
        load_dialect(path)


def test_file_that_is_not_there_or_no_mapping_is_refused(tmp_path):
    with pytest.raises(BenchFileError, match="cannot be read"):
        load_dialect(tmp_path / "none.yaml")
    (tmp_path / "list.yaml").write_text("- a\n", encoding="utf-8")
    with pytest.raises(BenchFileError, match="not a dialect"):
        load_dialect(tmp_path / "list.yaml")
    (tmp_path / "binary.yaml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BenchFileError, match="cannot be read"):
        load_dialect(tmp_path / "binary.yaml")
