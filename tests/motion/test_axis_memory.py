"""What a run knows of the axes from the runs before it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from autocell.bench.bench import Bench
from autocell.bench.file import load, shipped
from autocell.bench.trust import Trust
from autocell.description import BenchDescription
from autocell.errors import MotionError
from autocell.outcome import Outcome, Verdict
from autocell.records import Store
from autocell.session.axis_memory import hardware, with_measured_backlash
from tests.session.conftest import Laboratory, go_up

PEAT_BOG = load(shipped("peat-bog"))


@pytest.fixture
def laboratory(tmp_path: Path) -> Laboratory:
    return Laboratory(PEAT_BOG, tmp_path)


def sent(laboratory: Laboratory) -> list[float]:
    """Where the last run sent the spacing axis, in mm, leg by leg."""
    return [round(1e3 * move.target, 4) for move in laboratory.runs()[-1].moves]


def go_down(bench: Bench) -> Outcome:
    bench.move_axes({"spacing": bench.positions()["spacing"] - 5e-3}, "down")
    return Outcome(Verdict.UNCHANGED, "down", setting=bench.setting)


def test_the_next_night_needs_no_first_move(laboratory: Laboratory) -> None:
    laboratory.run(go_up)
    assert sent(laboratory) == [40.5, 45.0]
    laboratory.run(go_down)
    assert len(sent(laboratory)) == 2  # below and up again, as any approach from above
    with Store.open(laboratory.store_path) as store:
        assert set(store.first_moves(PEAT_BOG.name)) == {"spacing"}


def test_what_was_moved_before_the_run_was_stopped_counts(laboratory: Laboratory) -> None:
    def raise_later(bench: Bench) -> Outcome:
        go_up(bench)
        raise MotionError("something else went wrong")

    laboratory.run(raise_later)
    laboratory.run(go_down)
    assert len(sent(laboratory)) == 2


def test_an_axis_whose_position_was_lost_makes_its_first_move_again(
    laboratory: Laboratory,
) -> None:
    def lose(bench: Bench) -> Outcome:
        bench.doubt("spacing", Trust.LOST, "a test says so")
        return Outcome(Verdict.HELD, "lost")

    laboratory.run(go_up)
    laboratory.run(lose)
    laboratory.run(go_down)
    assert sent(laboratory)[0] == pytest.approx(44.5, abs=1e-3)


def test_a_changed_section_makes_its_first_move_again(laboratory: Laboratory) -> None:
    laboratory.run(go_up)
    device = PEAT_BOG.devices["motion"]
    slower = replace(device, section={**device.section, "reconnect_s": 30})
    laboratory.simulated.description = replace(
        PEAT_BOG, devices={**PEAT_BOG.devices, "motion": slower}
    )
    laboratory.run(go_down)
    assert sent(laboratory)[0] == pytest.approx(44.5, abs=1e-3)


def test_hardware_is_another_with_another_section_dialect_or_identity(tmp_path: Path) -> None:
    for file in ("peat-bog.yaml", "plain-motion.yaml"):
        (tmp_path / file).write_text(shipped(file).read_text())
    bench = load(tmp_path / "peat-bog.yaml")
    before = hardware(bench, "pitch")

    def with_axis(**changes: object) -> BenchDescription:
        pitch = bench.axes["pitch"]
        changed = replace(pitch, section={**pitch.section, **changes})
        return replace(bench, axes={**bench.axes, "pitch": changed})

    assert hardware(with_axis(overnight_drift_mrad=0.5), "pitch") == before
    assert hardware(with_axis(direction=-1), "pitch") != before
    assert hardware(bench, "yaw") != before
    assert hardware(bench, "pitch", "PLAIN-MOTION 2") != before
    with (tmp_path / "plain-motion.yaml").open("a") as dialect:
        dialect.write("# a remark\n")
    assert hardware(bench, "pitch") != before


def test_the_larger_of_measured_and_stated_backlash_counts(laboratory: Laboratory) -> None:
    laboratory.run(go_up)
    with Store.open(laboratory.store_path) as store:
        journal = store.writer(laboratory.runs()[0].summary.id)
        journal.axis_measured("spacing", hardware(PEAT_BOG, "spacing"), 23e-6, {})
        journal.axis_measured("yaw", hardware(PEAT_BOG, "yaw"), 1e-5, {})
        journal.axis_measured("pitch", "another motor", 9e-4, {})
        known = with_measured_backlash(PEAT_BOG, store)
    assert known.axes["spacing"].backlash == 23e-6
    assert known.axes["yaw"].backlash == PEAT_BOG.axes["yaw"].backlash == 0.15e-3
    assert known.axes["pitch"].backlash == PEAT_BOG.axes["pitch"].backlash


def test_a_run_approaches_by_the_backlash_that_was_measured(laboratory: Laboratory) -> None:
    laboratory.run(go_up)
    with Store.open(laboratory.store_path) as store:
        journal = store.writer(laboratory.runs()[0].summary.id)
        journal.axis_measured("spacing", hardware(PEAT_BOG, "spacing"), 40e-6, {})
    laboratory.run(go_down)
    below, target = sent(laboratory)
    # half as much again as the backlash, and the scatter of both ends
    assert target - below == pytest.approx(1.5 * 0.040 + 2 * 0.001, abs=1e-3)
