"""What is written is read back the same, under ids that sort by time."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from autocell.bench.protocols import Journal
from autocell.description import BenchDescription
from autocell.errors import StoreError, UsageError
from autocell.outcome import Evidence, Outcome, Proof, Verdict
from autocell.reading import Reading
from autocell.records import RunWriter, Store, default_path
from autocell.setting import Setting

BEGAN = datetime(2026, 11, 25, 9, 31, 7, tzinfo=UTC)
PROVED = Outcome(
    Verdict.REACHED,
    "62 passes",
    wanted_passes=62,
    passes=62,
    proof=Proof(True, 0.9993, (Evidence("both edges found", True),), ((60, 7.3),)),
)


def test_a_writer_is_the_journal_that_the_bench_asks_for(run: RunWriter) -> None:
    journal: Journal = run
    assert journal.move_intended(0.0, "spacing", 0.0, 0.01, "survey") == 1


def test_moves_are_read_back_as_intended_and_as_ended(store: Store, run: RunWriter) -> None:
    first = run.move_intended(1.5, "spacing", 0.0, 0.0101, "survey")
    second = run.move_intended(4.0, "yaw", 0.0, 1e-3, "aim")
    run.move_ended(first, 3.5, 0.010099, "arrived")

    arrived, broken_off = store.run(run.id).moves
    assert (arrived.number, arrived.axis, arrived.target) == (first, "spacing", 0.0101)
    assert (arrived.intended_s, arrived.ended_s) == (1.5, 3.5)
    assert (arrived.position, arrived.outcome) == (0.010099, "arrived")
    assert arrived.intended_utc == BEGAN
    assert (broken_off.number, broken_off.purpose) == (second, "aim")
    assert broken_off.outcome is None
    assert broken_off.ended_utc is None


def test_readings_and_events_come_back_to_the_last_bit(store: Store, run: RunWriter) -> None:
    reading = Reading(Setting(0.1 + 0.2, 0.02, 1e-17, -0.04, 0.07), 1 / 3, 2e-7, 8, 12.25)
    run.reading(reading, "edge")
    run.event(13.0, "retry", "the meter was silent once")

    record = store.run(run.id)
    assert record.readings[0].reading == reading
    assert record.readings[0].purpose == "edge"
    assert (record.events[0].kind, record.events[0].time_s) == ("retry", 13.0)


def test_the_outcome_comes_back_whole_under_the_id_of_its_run(store: Store, run: RunWriter) -> None:
    ended = run.finish(PROVED)

    record = store.run(run.id)
    assert ended == replace(PROVED, run=run.id)
    assert record.outcome == ended
    assert record.summary.verdict is Verdict.REACHED
    assert record.summary.proved
    assert record.summary.finished_utc == BEGAN


def test_a_run_ends_once(store: Store, run: RunWriter) -> None:
    run.finish(PROVED)
    with pytest.raises(StoreError, match="ended already"):
        run.finish(replace(PROVED, verdict=Verdict.FAILED))
    assert store.run(run.id).summary.verdict is Verdict.REACHED


def test_the_bench_file_is_kept_as_it_was_read(
    store: Store, bench: BenchDescription, run: RunWriter
) -> None:
    text = bench.path.read_text()
    bench.path.write_text("bench: another\n")
    assert store.run(run.id).bench_text == text


def test_a_bench_file_edited_since_it_was_read_is_not_kept_as_if_it_were_the_one(
    store: Store, bench: BenchDescription
) -> None:
    bench.path.write_text("bench: another\n")
    record = store.run(store.begin("change", bench, BEGAN, "0.1.0", {}).id)
    assert record.bench_text is None
    assert "changed" in record.events[0].text


def test_ids_tell_the_utc_minute_and_sort_in_the_order_runs_began(
    store: Store, bench: BenchDescription
) -> None:
    east = timezone(timedelta(hours=13))
    times = [BEGAN] * 11 + [(BEGAN + timedelta(minutes=1)).astimezone(east)]
    ids = [store.begin("change", bench, time, "0.1.0", {}).id for time in times]
    assert ids[0] == "20261125-0931-01"
    assert ids[-1] == "20261125-0932-01"
    assert ids == sorted(set(ids))


def test_history_is_newest_first_and_can_be_of_one_bench(
    store: Store, bench: BenchDescription
) -> None:
    other = replace(bench, name="another bench", sha256="0" * 64)
    first = store.begin("change", bench, BEGAN, "0.1.0", {}).id
    second = store.begin("survey", other, BEGAN, "0.1.0", {}).id
    third = store.begin("check", bench, BEGAN, "0.1.0", {}).id
    assert [run.id for run in store.runs()] == [third, second, first]
    assert [run.id for run in store.runs(limit=1)] == [third]
    assert [run.id for run in store.runs(bench.name)] == [third, first]
    assert [run.id for run in store.runs(other.sha256)] == [second]


def test_a_run_that_never_said_how_it_ended_is_found_and_can_be_closed(
    store: Store, bench: BenchDescription, run: RunWriter
) -> None:
    store.begin("change", bench, BEGAN, "0.1.0", {}).finish(PROVED)
    assert [summary.id for summary in store.unfinished()] == [run.id]
    assert not store.unfinished()[0].finished
    assert store.unfinished("another bench") == []

    store.writer(run.id).finish(Outcome(Verdict.HELD, "the power failed"))
    assert store.unfinished() == []


def test_the_reference_is_the_last_run_that_proved_this_pass_count(
    store: Store, bench: BenchDescription
) -> None:
    def record(outcome: Outcome) -> str:
        writer = store.begin("change", bench, BEGAN, "0.1.0", {})
        writer.finish(outcome)
        return writer.id

    record(PROVED)
    latest = record(PROVED)
    fewer = record(replace(PROVED, passes=38))
    record(replace(PROVED, proof=Proof(False, 0.6)))
    record(Outcome(Verdict.HELD, "no proof"))

    reference = store.last_proved(bench.name, 62)
    assert reference is not None
    assert reference.summary.id == latest
    same_file = store.last_proved(bench.sha256, 62)
    assert same_file is not None
    assert same_file.summary.id == latest
    any_count = store.last_proved(bench.name)
    assert any_count is not None
    assert any_count.summary.id == fewer
    assert store.last_proved(bench.name, 44) is None
    assert store.last_proved("another bench", 62) is None


def test_an_unknown_run_is_named_with_the_latest_ones(store: Store, run: RunWriter) -> None:
    with pytest.raises(UsageError, match=rf"no run 'x'.*{run.id}"):
        store.run("x")


def test_a_store_in_memory_needs_no_file(bench: BenchDescription) -> None:
    with Store.open(":memory:") as store:
        store.begin("change", bench, BEGAN, "0.1.0", {}).finish(PROVED)
        assert store.runs()[0].proved
    assert not Path(":memory:").exists()


def test_the_place_is_the_one_in_the_environment(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("AUTOCELL_STORE", str(tmp_path / "deep" / "mine.sqlite"))
    with Store.open() as store:
        assert store.path == tmp_path / "deep" / "mine.sqlite"
        assert store.path.exists()
    monkeypatch.delenv("AUTOCELL_STORE")
    assert default_path().name == "runs.sqlite"


def test_an_outcome_survives_json_even_where_json_has_no_number_for_it() -> None:
    odd = replace(
        PROVED, proof=Proof(True, 1.0, (), ((60, float("inf")),)), throughput=float("-inf")
    )
    text = json.dumps(odd.as_dict(), allow_nan=False)
    assert Outcome.from_dict(json.loads(text)) == odd
    assert odd.as_json()["throughput"] is None


def test_what_machines_are_promised_is_there_even_when_nothing_is_known() -> None:
    promised = {
        "verdict", "passes", "proof", "readings", "moves", "elapsed_s", "spacing_m",
        "path_length_m", "path_length_expanded_u_m", "throughput", "expected_throughput",
        "margin_low_m", "margin_high_m", "run",
    }  # fmt: skip
    assert promised <= Outcome(Verdict.FAILED, "the meter is silent").as_json().keys()
    proof = PROVED.as_json()["proof"]
    assert proof["probability"] == 0.9993
    assert proof["evidence"] == [{"statement": "both edges found", "holds": True}]


@pytest.mark.parametrize(
    ("verdict", "code"),
    [("unchanged", 0), ("reached", 0), ("recovered", 0), ("degraded", 3), ("held", 4),
     ("failed", 5)],
)  # fmt: skip
def test_exit_codes_tell_the_verdict(verdict: str, code: int) -> None:
    assert Verdict(verdict).exit_code == code


def test_a_bench_file_that_was_changed_is_another_bench_to_its_history(
    store: Store, bench: BenchDescription
) -> None:
    """So are simulated benches of one name, whose addresses differ."""
    edited = replace(bench, sha256="0" * 64)
    mine = store.begin("change", bench, BEGAN, "0.1.0", {"programme": "nights"})
    theirs = store.begin("change", edited, BEGAN, "0.1.0", {"programme": "nights"})
    mine.finish(PROVED)
    theirs.finish(PROVED)
    assert [run.id for run in store.runs(bench.sha256)] == [mine.id]
    asked = {"programme": "nights"}
    assert [run.summary.id for run in store.asked_with(edited.sha256, asked)] == [theirs.id]
    assert [run.summary.id for run in store.asked_with(bench.name, asked)] == [mine.id, theirs.id]
    assert store.with_other_files(bench) == 1
    assert store.with_other_files(replace(bench, name="a third bench")) == 0
