"""Where open-loop axes are believed to be, and what their steps do, from run to run."""

from __future__ import annotations

from pathlib import Path

import pytest

from autocell.bench.bench import Bench
from autocell.bench.trust import Trust
from autocell.outcome import Outcome, Verdict
from autocell.records import Store
from autocell.session.aftermath import positions_accepted
from autocell.session.axis_memory import hardware, with_learned_steps
from tests.motion.stepping import STEPS, drives, stepping
from tests.session.conftest import Laboratory, mute_about_references, only_read


@pytest.fixture
def laboratory(tmp_path: Path) -> Laboratory:
    return Laboratory(stepping(), tmp_path, drives(yaw=0.0))


def learn(laboratory: Laboratory, backward: float = 0.8, by: str | None = None) -> None:
    """Leave in the store what a check would have found of pitch."""
    with Store.open(laboratory.store_path) as store:
        journal = store.writer(laboratory.runs()[-1].summary.id)
        known_by = hardware(laboratory.simulated.description, "pitch") if by is None else by
        journal.steps_learned("pitch", known_by, backward, 0.01, {"finding": "a test says so"})


def to_and_fro(bench: Bench) -> Outcome:
    bench.read_power("the start", max_samples=3)
    for place in (4e-3, -2e-3, 1e-3, -1e-3):
        bench.move_axes({"pitch": place}, "to and fro")
    return Outcome(Verdict.UNCHANGED, "went to and fro", setting=bench.setting)


def stands(laboratory: Laboratory) -> dict[str, float]:
    """Where a run that moves nothing believes the steering axes, and how surely."""
    found: dict[str, float] = {}

    def look(bench: Bench) -> Outcome:
        found.update(bench.positions(), u=bench.open_loop.u["pitch"])
        found["home"] = bench.description.positions(bench.home_setting)["pitch"]
        return only_read(bench)

    laboratory.run(look)
    return found


def truly(laboratory: Laboratory) -> float:
    return laboratory.simulated.true_positions()["pitch"]


def test_the_next_run_goes_on_from_where_the_last_one_believed_the_axes(
    laboratory: Laboratory,
) -> None:
    laboratory.run(only_read)
    learn(laboratory)
    laboratory.run(to_and_fro)
    found = stands(laboratory)
    assert found["pitch"] == pytest.approx(-1e-3, abs=2e-5)
    assert found["home"] == pytest.approx(found["pitch"])
    assert truly(laboratory) == pytest.approx(-1e-3, abs=5e-5)
    assert abs(laboratory.counter("pitch") - found["pitch"]) > 1e-3  # its count tells another tale
    assert 0.01 * 8e-3 < found["u"] < 0.01 * 11e-3


def test_without_a_lesson_the_doubt_is_as_large_as_the_error(laboratory: Laboratory) -> None:
    laboratory.run(to_and_fro)
    found = stands(laboratory)
    assert found["pitch"] == pytest.approx(-1e-3, abs=2e-5)
    error = abs(truly(laboratory) - found["pitch"])
    assert error > 1e-3
    assert error < 2.0 * found["u"]


def test_a_run_that_breaks_off_in_a_move_leaves_the_axis_where_its_steps_have_brought_it(
    laboratory: Laboratory,
) -> None:
    laboratory.run(only_read)
    learn(laboratory)
    began = truly(laboratory)
    laboratory.break_off(to_and_fro, after_s=2.0)
    laboratory.run(only_read)
    undone = laboratory.told[-1]
    assert "undone: every axis is where it began" in undone
    assert truly(laboratory) == pytest.approx(began, abs=2e-4)


def test_a_counter_that_was_switched_off_between_two_runs_is_lost_until_accepted(
    laboratory: Laboratory,
) -> None:
    laboratory.run(to_and_fro)
    with laboratory.simulated.present():
        laboratory.simulated.axes["pitch"].power_cycle()
    trust: list[Trust] = []

    def look(bench: Bench) -> Outcome:
        trust.append(bench.trust()["pitch"])
        return only_read(bench)

    laboratory.run(look)
    laboratory.run(look)
    assert trust == [Trust.LOST, Trust.LOST]
    laboratory.run(positions_accepted, command="accept")
    laboratory.run(look)
    assert trust[2] is Trust.KNOWN


def test_steps_are_learned_of_this_drive_and_only_where_the_file_is_less_sure(
    laboratory: Laboratory,
) -> None:
    laboratory.run(only_read)
    bench = laboratory.simulated.description

    def known() -> float:
        with Store.open(laboratory.store_path) as store:
            steps = with_learned_steps(bench, store).axes["pitch"].open_loop
        assert steps is not None
        return steps.backward

    assert known() == STEPS.backward == 1.0
    learn(laboratory, by="another drive")
    assert known() == 1.0
    learn(laboratory)
    assert known() == 0.8


def without_reference_steps(tmp_path: Path) -> Laboratory:
    """Open-loop axes on a controller that does not tell whether it has its reference."""
    return Laboratory(stepping(mute_about_references(tmp_path)), tmp_path, drives())


@pytest.mark.parametrize("home", [0.0, 1e-3])
def test_what_the_light_told_last_is_where_the_next_run_expects_the_axis(
    tmp_path: Path, home: float
) -> None:
    laboratory = without_reference_steps(tmp_path)

    def found_by_light(bench: Bench) -> Outcome:
        bench.vouch_for(bench.description.axes)
        to_and_fro(bench)
        bench.move_axes({"pitch": home + 3e-4}, "and about")
        bench.open_loop.take_for({"pitch": home}, "the light is that of the start")
        return Outcome(Verdict.HELD, "back by its light", setting=bench.setting)

    laboratory.run(found_by_light)
    laboratory.forget_the_end_of(laboratory.runs()[-1].summary.id)
    ended = laboratory.run(only_read)
    assert "is lost" not in f"{laboratory.told} {ended.outcome.reason}"


def test_an_open_loop_axis_that_was_moved_by_hand_after_a_kill_is_held(tmp_path: Path) -> None:
    laboratory = without_reference_steps(tmp_path)
    laboratory.run(to_and_fro)
    laboratory.forget_the_end_of(laboratory.runs()[-1].summary.id)
    with laboratory.simulated.present():
        laboratory.simulated.axes["pitch"].move_to(3e-3)
    laboratory.clock.sleep(60.0)
    ended = laboratory.run(only_read)
    assert ended.outcome.verdict is Verdict.HELD
    assert "the position of pitch is lost: it reads" in ended.outcome.reason


def test_accepting_takes_the_doubt_from_open_loop_axes(laboratory: Laboratory) -> None:
    laboratory.run(to_and_fro)
    assert stands(laboratory)["u"] > 1e-4
    laboratory.run(positions_accepted, command="accept")
    trust: list[Trust] = []

    def look(bench: Bench) -> Outcome:
        trust.append(bench.trust()["pitch"])
        return only_read(bench)

    laboratory.run(look)
    assert (stands(laboratory)["u"], trust) == (0.0, [Trust.KNOWN])


def test_a_start_whose_light_is_not_found_again_holds_and_says_so(
    laboratory: Laboratory,
) -> None:
    laboratory.break_off(to_and_fro, after_s=2.0)
    laboratory.simulated.begin({"fault": "mode-hop", "percent": 12.0})
    ended = laboratory.run(only_read)
    assert ended.outcome.verdict is Verdict.HELD
    assert "every axis is where it began" not in laboratory.told[-1]
    assert "by the count of its steps alone" in laboratory.told[-1]
    assert "pitch may stand beside it" in laboratory.told[-1]
