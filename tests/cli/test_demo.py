"""The demo, from the command to the report: real processes, a pseudo-terminal and a socket."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.cli.conftest import CommandLine

CONTRACT = {
    "verdict", "passes", "proof", "readings", "moves", "elapsed_s", "spacing_m", "path_length_m",
    "path_length_expanded_u_m", "throughput", "expected_throughput", "margin_low_m",
    "margin_high_m", "run",
}  # fmt: skip


def test_the_demo_reaches_62_passes_and_the_simulator_agrees(autocell: CommandLine) -> None:
    truth_file = autocell.folder / "truth.json"
    ended = autocell("demo", "--seed", 4, "--json", "--truth", truth_file)
    assert ended.code == 0, ended.err
    told, truth = ended.json, CommandLine.read(truth_file)
    assert set(told) >= CONTRACT
    assert (told["verdict"], told["passes"], told["wanted_passes"]) == ("reached", 62, 62)
    assert told["proof"]["probability"] >= 0.999
    assert all(piece["holds"] for piece in told["proof"]["evidence"])

    assert truth["passes"] == 62
    assert truth["limit_violations"] == 0
    assert truth["moves"] == told["moves"]
    spacing_u_m = told["path_length_expanded_u_m"] / 62
    assert told["spacing_m"] == pytest.approx(truth["spacing_m"], abs=2 * spacing_u_m)
    assert told["path_length_m"] == pytest.approx(
        truth["path_length_m"], abs=2 * told["path_length_expanded_u_m"]
    )
    assert told["margin_low_m"] == pytest.approx(truth["margin_low_m"], rel=0.2)
    assert told["margin_high_m"] == pytest.approx(truth["margin_high_m"], rel=0.2)

    assert "invented" in ended.err
    assert "Laser class 3B" in ended.err
    assert "autocell demo --seed 4" in ended.err

    report = Path(told["report"]).read_text("utf-8")
    assert "62 passes" in report
    assert not re.search(r"(src|href)=[\"'](?!#|data:)", report), "the page must need no network"
    (listed,) = autocell("history", "--json").json
    assert (listed["run"], listed["verdict"], listed["proved"]) == (told["run"], "reached", True)


def test_a_pass_count_that_no_pattern_gives_starts_nothing(autocell: CommandLine) -> None:
    ended = autocell("demo", "--passes", 63, "--json")
    assert ended.code == 2
    assert ended.json["verdict"] == "failed"
    assert "Nearest that can: 58, 62" in ended.json["reason"]
    assert "/dev/" not in ended.err
    assert not autocell.store.exists()
