"""Functions of a laboratory's own that count wrongly, through their driver: the usual mistake."""

from __future__ import annotations

from pathlib import Path

import pytest

from autocell.bench.clock import RealClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.errors import MotionError

LAB = '''
"""A stage of an invented laboratory: its position comes back as {read}."""
from autocell_drivers.python_object import AxisFunctions, Instrument, MeterFunctions

sent = []


class Screw:
    def __init__(self, at):
        self.at = at

    def move(self, target):
        sent.append(target)
        self.at = target


def open_it():
    screws = {{channel: Screw(25.0 if channel == 1 else 0.0) for channel in range(1, 6)}}
    return Instrument(
        identity="LAB 7",
        axes={{
            channel: AxisFunctions(
                position=lambda at=screw: ({read}) if at is screws[1] else at.at,
                move=screw.move,
                stop=lambda: None,
                moving=lambda: False,
                unit="mrad" if channel in (2, 3) else "mm",
            )
            for channel, screw in screws.items()
        }},
        meters={{1: MeterFunctions(read=lambda: 5.0, unit="mW")}},
    )
'''


def bench_file(folder: Path, read: str) -> Path:
    (folder / "our_lab.py").write_text(LAB.format(read=read), "utf-8")
    text = shipped("peat-bog").read_text("utf-8")
    start, end = text.index("devices:"), text.index("axes:")
    lab = "{driver: python-object, address: 'our_lab.py:open_it', identity: LAB 7}"
    text = f"{text[:start]}devices:\n  motion: {lab}\n{text[start:][end - start :]}"
    text = text.replace("device: meter", "device: motion")
    text = text[: text.index("  settings:")] + text[text.index("caps:") :]
    path = folder / "bench.yaml"
    path.write_text(text, "utf-8")
    return path


@pytest.mark.parametrize(
    ("read", "words"),
    [
        ("50.0 - at.at", "went by -0.5000 mm: the wrong way"),
        ("22.5 + 0.1 * at.at", "went by +0.0500 mm, 0.1 times as far: the wrong scale"),
        ("25.0", "nothing moved"),
    ],
)
def test_the_first_move_stops_at_what_the_functions_read_back(
    tmp_path: Path, read: str, words: str
) -> None:
    description = load(bench_file(tmp_path, read))
    with (
        pytest.raises(MotionError) as refusal,
        open_bench(description, clock=RealClock()) as bench,
    ):
        bench.move_axes({"spacing": 0.045}, "test")
    assert words in str(refusal.value)
    assert "asked to go by +0.5000 mm" in str(refusal.value)


def test_functions_that_count_rightly_pass(tmp_path: Path) -> None:
    description = load(bench_file(tmp_path, "at.at"))
    with open_bench(description, clock=RealClock()) as bench:
        bench.move_axes({"spacing": 0.0265}, "test")
        assert bench.tried()["spacing"]
        assert bench.positions()["spacing"] == pytest.approx(0.0265)
