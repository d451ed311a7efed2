"""After the last step of a night its page is written, unless the programme file says no."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from autocell_simulators.inprocess import connector

from autocell.programme.programme import load
from autocell.session.mornings import morning_folder
from autocell.session.safe import Lines
from tests.programme.conftest import NIGHTS, Nights, Write

ONE_STEP = NIGHTS.replace(
    """  - settle_min: 20
  - wait_until: "02:00"
  - {change: 50, skip_if_held: true}
""",
    "",
)


def carried_out(nights: Nights, count: int) -> Path:
    """The folder of the pages after so many nights, dated by the clock on the wall."""
    conductor = nights.conductor()
    lines = Lines(lambda: nights.clock, connector(nights.simulated), nights.wall.utc)
    conductor.around = replace(conductor.around, pages=True, lines=lines)
    every_night = conductor.every_night()
    for _ in range(count):
        next(every_night)
    return morning_folder(nights.store, nights.programme.bench)


def started(write: Write, folder: Path, text: str) -> Nights:
    evening = datetime.fromisoformat("2026-10-20T18:00:00+03:00")
    return Nights(load(write(text)), folder, evening)


def test_each_night_leaves_its_page_and_tells_where(write: Write, tmp_path: Path) -> None:
    nights = started(write, tmp_path, ONE_STEP)
    folder = carried_out(nights, 2)
    names = {path.name for path in folder.iterdir()}
    assert {"last-night.html", "2026-10-20.html", "2026-10-21.html"} <= names
    told = [line for line in nights.told if line.startswith("Morning report: ")]
    page = folder / "last-night.html"
    assert told == [f"Morning report: All is well: 62 passes reached and proved. {page}"] * 2
    assert "night of 21 to 22 October 2026" in page.read_text("utf-8")


@pytest.mark.parametrize("on_held", ["go on", "end the night", "end the programme"])
def test_a_held_night_has_its_page_too(on_held: str, write: Write, tmp_path: Path) -> None:
    nights = started(write, tmp_path, ONE_STEP.replace("go on", on_held))
    nights.held = {62}
    folder = carried_out(nights, 1)
    page = (folder / "last-night.html").read_text("utf-8")
    assert "Held: 62 passes wanted, not proved" in page


def test_a_programme_may_do_without(write: Write, tmp_path: Path) -> None:
    nights = started(write, tmp_path, f"morning_report: false\n{ONE_STEP}")
    assert not carried_out(nights, 1).exists()


def test_a_page_that_cannot_be_written_ends_no_programme(write: Write, tmp_path: Path) -> None:
    (tmp_path / "mornings").write_text("something is in the way")
    nights = started(write, tmp_path, ONE_STEP)
    carried_out(nights, 2)
    assert len(nights.outcomes) == 2
    assert any("morning report could not be written" in line for line in nights.told)
