"""``autocell morning`` as somebody types it."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from autocell.cli.main import main
from autocell.description import BenchDescription
from tests.morning.invented import Story, invented_nights

SHORT = Story(nights=2, held=(), missed=(), programme=None)


@pytest.fixture
def store(bench: BenchDescription, tmp_path: Path) -> Path:
    path = tmp_path / "runs.sqlite"
    invented_nights(path, bench, SHORT).close()
    return path


def test_it_prints_the_report_and_tells_where_the_page_is(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["morning", "--bench", "peat-bog-reference", "--store", str(store)]) == 0
    told = capsys.readouterr()
    assert "Recovered: 62 passes, proved again" in told.out
    page = Path(told.err.strip().removeprefix("Page: "))
    assert page.name == "last-night.html"
    assert "Recovered" in page.read_text("utf-8")
    (data,) = [line for line in told.out.splitlines() if line.startswith("Data: ")]
    assert Path(data.removeprefix("Data: ")).parent == page.parent
    assert "SHA-256" in told.out


def test_json_is_one_object_and_a_night_can_be_chosen(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["morning", "--bench", "peat-bog-reference", "--store", str(store), "--json"]
    assert main([*arguments, "--night", "2026-10-27"]) == 0
    told = capsys.readouterr()
    assert json.loads(told.out)["night"] == "2026-10-27"
    assert told.err.strip().endswith("2026-10-27.html")
    assert main([*arguments, "--night", "2026-01-01"]) == 2
    assert "no run up to the night of 2026-01-01" in capsys.readouterr().err


def test_a_page_that_cannot_be_written_is_said(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("not a folder")
    arguments = ["morning", "--bench", "peat-bog-reference", "--store", str(store)]
    assert main([*arguments, "--output", str(in_the_way / "page.html")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_a_bench_without_runs_has_a_morning_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["morning", "--bench", "peat-bog", "--store", str(tmp_path / "new.sqlite")]
    assert main(arguments) == 0
    assert "Nothing to report" in capsys.readouterr().out


def test_a_missed_night_shows_in_the_exit_code(
    bench: BenchDescription, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "runs.sqlite"
    invented_nights(
        path, bench, replace(SHORT, programme="nights", began=date(2020, 10, 27))
    ).close()
    arguments = ["morning", "--bench", "peat-bog-reference", "--store", str(path)]
    assert main(arguments) == 5
    assert "Silence" in capsys.readouterr().out
