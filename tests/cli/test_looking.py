"""Commands that look, and those that go back: they leave a bench as they found it."""

from __future__ import annotations

import re

import pytest

from tests.cli.conftest import CommandLine


def test_looking_and_dry_runs_move_nothing(autocell: CommandLine) -> None:
    with autocell.simulating("--seed", 5) as bench:
        file = bench.bench_file
        check = autocell.here("check", "--bench", file, "--json")
        status = autocell.here("status", "--bench", file)
        change = autocell.here("change", 62, "--bench", file, "--dry-run")
        plan = autocell.here("change", 62, "--bench", file, "--dry-run", "--json").json
        survey = autocell.here("survey", "--bench", file, "--dry-run", "--points", 5)
        truth = bench.end()
    assert truth["moves"] == 0
    assert truth["readings"] > 0

    assert check.code == 0
    marks = {row["what"]: row["mark"] for row in check.json["checks"]}
    for what in ("bench file", "device motion", "axis spacing", "dark level", "power now"):
        assert marks[what] == "pass"
    found = " ".join(row["found"] for row in check.json["checks"])
    assert "PLAIN-MOTION" in found
    assert "1654" in found, "the wavelength of the meter is set and read back"

    assert "nothing yet" in status.out
    assert change.code == 0
    assert "Nothing is moved" in change.out
    assert "lands on 62 passes with probability" in change.out
    spacing = next(move for move in plan["moves"] if move["axis"] == "spacing")
    assert spacing["from"] == pytest.approx(0.040, abs=1e-5)
    assert spacing["to"] == pytest.approx(0.02613, abs=2e-4)
    assert spacing["legs"][-1] == spacing["to"]
    assert spacing["legs"][0] == pytest.approx(0.0395, abs=1e-5), "a hundredth of 50 mm at first"
    assert spacing["legs"][1] < spacing["to"], "the last approach comes from below"
    assert 0.0 < plan["lands_there_probability"] < 1.0
    assert "In all" in survey.out
    assert autocell.here("history", "--json").json == [], "nothing was run"


def test_check_shows_who_the_delay_meter_is_and_what_it_reads(autocell: CommandLine) -> None:
    with autocell.simulating("--seed", 5, bench="peat-bog-delay") as bench:
        check = autocell.here("check", "--bench", bench.bench_file, "--json")
        truth = bench.end()
    assert check.code == 0, check.out
    rows = {row["what"]: row for row in check.json["checks"]}
    assert "DELAY-METER" in rows["device phase"]["found"]
    assert rows["delay now"]["mark"] == "pass"
    assert re.fullmatch(
        r"phase [-−]?\d\.\d+ ± 0\.00\d+ rad at 80 MHz; only its changes count",
        rows["delay now"]["found"],
    )
    found = [row["found"] for row in check.json["checks"]]
    assert "phase: UNIT:ANGL? RAD" in found
    assert truth["moves"] == 0


def test_check_without_light_fails_by_what_sees_none(autocell: CommandLine) -> None:
    with autocell.simulating("--start", "dark", bench="peat-bog-delay") as bench:
        check = autocell.here("check", "--bench", bench.bench_file, "--json")
    assert check.code == 5
    marks = {row["what"]: row["mark"] for row in check.json["checks"]}
    assert marks["power now"] == marks["delay now"] == "fail"


def test_a_survey_shows_the_staircase_and_goes_back(autocell: CommandLine) -> None:
    with autocell.simulating("--seed", 5) as bench:
        options = ("--from", 246, "--to", 250, "--points", 3, "--json")
        ended = autocell.here("survey", "--bench", bench.bench_file, *options)
        truth = bench.end()
    assert ended.code == 0, ended.err
    told = ended.json
    assert told["verdict"] == "unchanged"
    assert "back at the start" in told["reason"]
    assert truth["passes"] == told["passes"] == 6
    assert truth["counters"]["spacing"] == pytest.approx(0.040, abs=5e-6)
    assert len(told["steps"]) == 4
    assert told["proof"] == {"proved": False, "probability": None, "evidence": []}
