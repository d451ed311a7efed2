"""Whatever is wrong is one sentence, an exit code, and a record where a run had begun."""

from __future__ import annotations

import json
import os
import signal
import socket
from pathlib import Path

import pytest

from autocell.cli import failures
from autocell.cli.invocation import Invocation
from autocell.cli.main import main
from autocell.outcome import Outcome, Verdict
from autocell.records import RunRecord, RunWriter, Store
from tests.cli.conftest import CommandLine, Edit, Served

Printed = pytest.CaptureFixture[str]


def recorded(autocell: CommandLine) -> RunRecord:
    """The latest run."""
    with Store.open(autocell.store) as store:
        return store.run(store.runs(limit=1)[0].id)


@pytest.mark.parametrize(
    ("old", "new", "place", "told"),
    [
        ("wavelength_nm: 1654", "wavelength_um: 1.654", "wavelength_um", "wavelength_nm"),
        ("limits_mm: [0, 50]", "limits_mm: [50, 0]", "limits_mm: [50, 0]", "limits_mm"),
        ("acknowledged: true", "acknowledged: false", "class: 3B", "caution_acknowledged: true"),
    ],
)
def test_a_faulty_bench_file_is_refused_with_its_line_before_anything_is_opened(
    old: str,
    new: str,
    place: str,
    told: str,
    edited_peat_bog: Edit,
    tmp_path: Path,
    capsys: Printed,
) -> None:
    path = edited_peat_bog(old, new)
    text = path.read_text("utf-8")
    line = text[: text.index(place)].count("\n") + 1
    store = tmp_path / "runs.sqlite"
    arguments = ["change", "62", "--bench", str(path), "--store", str(store), "--json"]
    assert main(arguments) == 2
    printed = capsys.readouterr()
    assert f"{path}:{line}: " in printed.err
    assert told in printed.err
    assert json.loads(printed.out)["verdict"] == "failed"
    assert not store.exists()


def test_a_bench_file_that_is_not_there(tmp_path: Path, capsys: Printed) -> None:
    assert main(["check", "--bench", str(tmp_path / "none.yaml")]) == 2
    assert "there is no such bench file" in capsys.readouterr().err


def test_a_refused_pass_count_opens_nothing(tmp_path: Path, capsys: Printed) -> None:
    # the shipped file names a port that does not exist: opening it would be exit code 5
    store = tmp_path / "runs.sqlite"
    assert main(["change", "63", "--bench", "peat-bog", "--store", str(store)]) == 2
    assert "63 passes cannot be set" in capsys.readouterr().err
    assert not store.exists()


def test_a_port_that_does_not_exist_is_a_failed_run(autocell: CommandLine) -> None:
    ended = autocell.here("change", 62, "--bench", "peat-bog", "--json")
    assert ended.code == 5
    assert "/dev/ttyUSB0" in ended.json["reason"]
    run = recorded(autocell)
    assert run.summary.verdict is Verdict.FAILED
    assert (ended.json["run"], ended.json["wanted_passes"]) == (run.summary.id, 62)
    assert run.moves == ()
    report = autocell.store.parent / "reports" / f"{run.summary.id}.html"
    assert "/dev/ttyUSB0" in report.read_text("utf-8")


def test_a_silent_meter_is_named(served: Served) -> None:
    autocell, bench = served
    with socket.create_server(("127.0.0.1", 0)) as mute:
        address = f"TCPIP::127.0.0.1::{mute.getsockname()[1]}::SOCKET"
        path = bench.changed("mute-meter.yaml", (bench.addresses["meter"], address))
        ended = autocell.here("change", 62, "--bench", path)
    assert ended.code == 5
    assert address in ended.err
    assert "silent" in ended.err
    assert recorded(autocell).summary.verdict is Verdict.FAILED


def test_a_silent_controller_is_named(served: Served) -> None:
    autocell, bench = served
    ours, theirs = os.openpty()
    try:
        address = os.ttyname(theirs)
        path = bench.changed("mute-motion.yaml", (bench.addresses["motion"], address))
        ended = autocell.here("change", 62, "--bench", path)
    finally:
        os.close(ours)
        os.close(theirs)
    assert ended.code == 5
    assert address in ended.err
    assert recorded(autocell).summary.verdict is Verdict.FAILED


def test_another_instrument_than_expected_is_not_used(served: Served) -> None:
    autocell, bench = served
    path = bench.changed("other.yaml", ("identity: POWER-METER", "identity: SPECTROMETER"))
    ended = autocell.here("change", 62, "--bench", path, "--json")
    assert ended.code == 5
    assert "SPECTROMETER" in ended.json["reason"]
    assert recorded(autocell).summary.verdict is Verdict.FAILED


def test_a_saturated_meter_holds_with_the_cure(served: Served) -> None:
    autocell, bench = served
    path = bench.changed("small-range.yaml", ("range_mw: 10", "range_mw: 1"))
    ended = autocell.here("change", 62, "--bench", path, "--json")
    assert ended.code == 4, ended.err
    assert ended.json["verdict"] == "held"
    assert "range_mw" in ended.json["reason"]
    assert recorded(autocell).summary.verdict is Verdict.HELD


def test_a_meter_with_a_flat_top_is_told_with_the_range_to_write(
    autocell: CommandLine, tmp_path: Path
) -> None:
    scenario = tmp_path / "flat-top.yaml"
    scenario.write_text("scenario: flat top\nfaults:\n  - {fault: saturation}\n", "utf-8")
    with autocell.simulating("--seed", 5, "--scenario", scenario) as bench:
        check = autocell.here("check", "--bench", bench.bench_file, "--json")
        options = ("--from", 249, "--to", 250, "--points", 2, "--json")
        survey = autocell.here("survey", "--bench", bench.bench_file, *options)
    found = next(row for row in check.json["checks"] if "shows 6 mW again" in row["found"])
    assert found["mark"] == "note"
    assert "write power_meter.range_mw: 100" in found["found"]
    assert "Found: power_meter shows 6 mW again" in survey.err
    assert (survey.code, survey.json["verdict"]) == (0, "unchanged")


def test_an_interrupt_while_the_end_is_written_down_changes_nothing_any_more(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    autocell, bench = served
    finish = RunWriter.finish

    def interrupted_finish(writer: RunWriter, outcome: Outcome) -> Outcome:
        os.kill(os.getpid(), signal.SIGINT)
        return finish(writer, outcome)

    monkeypatch.setattr(RunWriter, "finish", interrupted_finish)
    options = ("--from", 249, "--to", 250, "--points", 2, "--json")
    ended = autocell.here("survey", "--bench", bench.bench_file, *options)
    assert (ended.code, ended.json["verdict"]) == (0, "unchanged"), ended
    run = recorded(autocell)
    assert (run.summary.id, run.summary.verdict) == (ended.json["run"], Verdict.UNCHANGED)


def test_check_finds_a_laser_that_is_off(autocell: CommandLine) -> None:
    with autocell.simulating("--start", "dark", "--tcp") as bench:
        ended = autocell.here("check", "--bench", bench.bench_file)
        assert bench.addresses["motion"].startswith("socket://")
    assert ended.code == 5
    assert "is the laser on" in " ".join(ended.out.split())
    assert "Not ready" in ended.out


def test_an_unreadable_store_is_named(tmp_path: Path, capsys: Printed) -> None:
    store = tmp_path / "notes.txt"
    store.write_text("no store at all, but long enough to be read as one " * 20)
    assert main(["history", "--store", str(store)]) == 5
    assert str(store) in capsys.readouterr().err


def test_a_report_of_a_run_that_is_not_there(tmp_path: Path, capsys: Printed) -> None:
    store = str(tmp_path / "runs.sqlite")
    assert main(["report", "last", "--store", store]) == 2
    assert main(["report", "20200101-0000-01", "--store", store]) == 2
    assert "no run" in capsys.readouterr().err


def test_what_nobody_foresaw_is_one_sentence_with_the_details_in_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Printed
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("nobody thought of this")

    monkeypatch.setattr("autocell.records.Store.runs", broken)
    assert main(["history", "--store", str(tmp_path / "runs.sqlite")]) == 5
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "Traceback" not in printed.err
    assert "nobody thought of this" in printed.err
    (log,) = (tmp_path / "errors").glob("*.log")
    assert str(log) in printed.err
    assert "Traceback" in log.read_text("utf-8")


def test_a_pass_count_beyond_all_sense_is_refused_at_once(tmp_path: Path, capsys: Printed) -> None:
    arguments = ["change", "100000", "--bench", "peat-bog", "--json"]
    assert main([*arguments, "--store", str(tmp_path / "runs.sqlite")]) == 2
    printed = capsys.readouterr()
    assert "2 to 1000" in printed.err
    assert json.loads(printed.out)["verdict"] == "failed"


def test_a_control_character_in_a_bench_file_is_no_surprise(
    tmp_path: Path, capsys: Printed
) -> None:
    path = tmp_path / "odd.yaml"
    path.write_bytes(b"bench: odd\x00name\n")
    assert main(["check", "--bench", str(path)]) == 2
    assert f"{path}:1: not valid YAML" in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [
        ["demo", "--json", "--truth"],
        ["simulate", "peat-bog", "--truth"],
        ["simulate", "peat-bog", "--write"],
    ],
)
def test_a_file_that_cannot_be_written_is_refused_before_anything_starts(
    arguments: list[str], tmp_path: Path, capsys: Printed
) -> None:
    missing = tmp_path / "no such folder" / "file.json"
    assert main([*arguments, str(missing)]) == 2
    printed = capsys.readouterr()
    assert f"{arguments[-1]} {missing}: cannot be written" in printed.err
    if "--json" in arguments:
        assert json.loads(printed.out)["verdict"] == "failed"  # one object, and no other


def test_an_outcome_that_was_told_is_not_told_again(capsys: Printed) -> None:
    told = Invocation(wants_outcome=True, told=True, outcome=Outcome(Verdict.REACHED, "reached"))
    assert failures.tell(KeyboardInterrupt(), told) == 0
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "after the outcome was told" in printed.err


def test_a_refused_option_is_one_json_outcome_too(capsys: Printed) -> None:
    assert main(["change", "many", "--bench", "peat-bog", "--json"]) == 2
    told = json.loads(capsys.readouterr().out)
    assert told["verdict"] == "failed"
    assert "many" in told["reason"]
    assert told["proof"]["probability"] is None
