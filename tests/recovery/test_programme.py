"""A recovery as a step of a programme, and what it needs before it begins."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector

from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load as load_bench
from autocell.bench.file import shipped
from autocell.cli.main import main
from autocell.errors import UsageError
from autocell.outcome import Outcome, Verdict
from autocell.procedures.progress import Listener
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.tuning import Experience
from autocell.programme.around import Around
from autocell.programme.night import Conductor
from autocell.programme.programme import Recover, load
from autocell.programme.wall import VirtualWall
from autocell.records import Store
from autocell.session.experience import reference_setting
from autocell.session.safe import Lines
from tests.programme.conftest import EVENING

NIGHT = """
programme: a night (invented)
bench: peat-bog-reference
time_zone: Europe/Helsinki
steps:
  - change: 62
  - settle_min: 30
  - recover: last
  - {recover: 62, skip_if_held: true}
"""


@pytest.fixture
def programme(tmp_path: Path) -> Path:
    path = tmp_path / "night.yaml"
    path.write_text(NIGHT, "utf-8")
    return path


def test_a_recovery_goes_back_to_what_the_change_before_has_proved(
    programme: Path, evening: Outcome, tmp_path: Path
) -> None:
    clock = VirtualClock()
    simulated = SimulatedBench(load_bench(shipped("peat-bog-reference")), 5, clock)
    asked: list[ReferenceSetting] = []

    def change(
        bench: Bench, passes: int, listener: Listener, experience: Experience | None
    ) -> Outcome:
        return dataclasses.replace(evening, run=None)

    def recover(bench: Bench, reference: ReferenceSetting, listener: Listener) -> Outcome:
        asked.append(reference)
        return Outcome(Verdict.UNCHANGED, "as it was", wanted_passes=reference.passes)

    store = tmp_path / "runs.sqlite"
    around = Around(
        VirtualWall(clock, EVENING), store, Lines(lambda: clock, connector(simulated)),
        change, recover, pages=False,
    )  # fmt: skip
    assert Conductor(load(programme), around).once().exit_code == 0
    with Store.open(store) as opened:
        runs = list(reversed(opened.runs()))
        kept = opened.run(runs[1].id)
    assert [run.command for run in runs] == ["change", "recover", "recover"]
    assert [reference.run for reference in asked] == [runs[0].id] * 2
    assert asked[0].setting == evening.setting
    assert asked[0].condition == evening.condition
    assert kept.arguments["reference"] == runs[0].id
    assert kept.arguments["passes"] == 62


def test_the_steps_are_read_as_they_are_written(programme: Path) -> None:
    steps = load(programme).steps
    assert steps[2:] == (Recover(None, False), Recover(62, True))
    assert [str(step) for step in steps[2:]] == ["recover", "recover 62 passes"]


def test_a_recovery_of_passes_that_cannot_be_is_refused_when_the_file_is_read(
    programme: Path,
) -> None:
    programme.write_text(NIGHT.replace("recover: 62", "recover: 60"), "utf-8")
    with pytest.raises(UsageError, match=r"steps\[3\]\.recover: .*60"):
        load(programme)


def test_without_a_proof_there_is_nothing_to_go_back_to(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = tmp_path / "runs.sqlite"
    with pytest.raises(UsageError, match="nothing to go back to"):
        reference_setting(store, load_bench(shipped("peat-bog")))
    code = main(["recover", "--bench", "peat-bog", "--store", str(store), "--json"])
    assert code == 2
    assert "nothing to go back to" in json.loads(capsys.readouterr().out)["reason"]


def test_a_degraded_night_does_not_become_what_nights_are_compared_with(
    evening: Outcome, tmp_path: Path
) -> None:
    bench = load_bench(shipped("peat-bog-reference"))
    assert evening.condition is not None
    dim = dataclasses.replace(evening.condition, power_w=0.9 * evening.condition.power_w)
    path = tmp_path / "runs.sqlite"
    with Store.open(path) as store:
        for outcome in (
            evening,
            dataclasses.replace(evening, verdict=Verdict.DEGRADED, condition=dim),
        ):
            store.begin("change", bench, EVENING, "0", {}).finish(outcome)
    reference = reference_setting(path, bench)
    assert reference.condition == evening.condition
    assert reference.run != reference.seen_by


def test_an_outcome_with_its_recovery_survives_the_store(
    evening: Outcome, reference: ReferenceSetting
) -> None:
    from autocell.recovery import Cause, CauseName, Ratio, Recovery

    recovery = Recovery(
        reference.as_told(),
        evening.condition,
        None,
        Ratio(0.9, 0.003),
        cause=Cause(CauseName.UNDETERMINED, 0.0, ("seen",), (CauseName.LASER, CauseName.WINDOW)),
    )
    outcome = dataclasses.replace(evening, recovery=recovery)
    assert Outcome.from_dict(json.loads(json.dumps(outcome.as_dict()))) == outcome
    told = outcome.as_json()["recovery"]
    assert told["cause"]["possible"] == ["laser", "window or detector"]
    assert told["after"] is None
