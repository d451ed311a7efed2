"""The command, as a user types it: in a process of its own, with a real Ctrl-C."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest
from autocell_simulators.rehearsal.campaign_file import CampaignFile
from autocell_simulators.rehearsal.night import RehearsedNight
from autocell_simulators.rehearsal.nights import NightsFile, NightsPlan
from autocell_simulators.rehearsal.one import Rehearsal
from autocell_simulators.rehearsal.plan import Plan

from autocell.bench.file import load, shipped
from autocell.outcome import Verdict

Make = Callable[..., Rehearsal]
Comparable = Callable[[Iterable[Rehearsal]], list[Rehearsal]]
_PATIENCE_S = 600.0


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    return {**os.environ, "AUTOCELL_STORE": str(tmp_path / "runs.sqlite")}


def start(
    environment: dict[str, str], *arguments: str, what: str = "change"
) -> subprocess.Popen[str]:
    """In a process group of its own, as a shell does: Ctrl-C reaches the workers too."""
    return subprocess.Popen(
        [sys.executable, "-m", "autocell.cli", "rehearse", what, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
        start_new_session=True,
    )


def test_an_interrupted_campaign_goes_on_with_the_command_it_prints(
    tmp_path: Path,
    environment: dict[str, str],
    plan: Plan,
    in_this_process: list[Rehearsal],
    comparable: Comparable,
) -> None:
    process = start(
        environment,
        *("26", "--bench", "peat-bog", "--seed", "5", "--workers", "1"),
        *("--benches", str(len(in_this_process))),
    )
    deadline = time.monotonic() + _PATIENCE_S
    while not any(file.read_bytes().count(b"\n") > 1 for file in tmp_path.rglob("*.jsonl")):
        assert process.poll() is None
        assert time.monotonic() < deadline
        time.sleep(0.02)
    os.killpg(process.pid, signal.SIGINT)
    output, errors = process.communicate(timeout=_PATIENCE_S)
    assert process.returncode == 4
    assert output == ""
    assert "Traceback" not in errors
    assert f"of {len(in_this_process)} benches are kept in" in errors
    printed = shlex.split(errors.strip().splitlines()[-1])
    assert printed[:3] == ["autocell", "rehearse", "change"]

    page = tmp_path / "page.html"
    process = start(environment, *printed[3:], "--json", "--report", str(page))
    output, errors = process.communicate(timeout=_PATIENCE_S)
    assert process.returncode == 0, errors
    counted = json.loads(output)
    assert counted["benches"] == counted["reached_true"] == len(in_this_process)
    assert counted["wrong"] == counted["held"] == counted["failed"] == 0
    assert sorted(counted["worst"]) == sorted(result.seed for result in in_this_process)
    assert all(f"--only {i}" in " ".join(counted["replay"]) for i in range(len(in_this_process)))
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    kept = CampaignFile(Path(printed[printed.index("--file") + 1]), plan).results
    assert comparable(kept.values()) == in_this_process


@pytest.mark.parametrize("what", ["change", "night"])
def test_an_interrupt_before_anything_began_says_how_to_go_on_as_any_later_one(
    what: str, tmp_path: Path, environment: dict[str, str], plan: Plan, make: Make
) -> None:
    path, bench = tmp_path / "kept.jsonl", tmp_path / "peat-bog.yaml"
    configs = shipped("peat-bog").parent
    shutil.copy(configs / "plain-motion.yaml", tmp_path)
    if what == "change":
        CampaignFile(path, plan).append(make(0))
        more = ("--benches", "9")
    else:
        night = RehearsedNight(0, 0, Verdict.UNCHANGED, "calm")
        NightsFile(path, NightsPlan(plan.description, 26, 5)).append(night)
        more = ("--nights", "9")
    os.mkfifo(bench)  # a bench file that is not read before the test has had its way
    process = start(
        environment, "26", "--bench", str(bench), "--seed", "5", *more, "--file", str(path),
        what=what,
    )  # fmt: skip
    with bench.open("wb") as opened:  # the command is at its bench file
        process.send_signal(signal.SIGINT)
        time.sleep(0.1)
        opened.write((configs / "peat-bog.yaml").read_bytes())
    output, errors = process.communicate(timeout=_PATIENCE_S)
    assert process.returncode == 4
    assert output == ""
    assert len(errors.splitlines()) == 2, errors
    assert "Stopped; 1 of 9" in errors
    printed = shlex.split(errors.splitlines()[-1])
    assert printed[:4] == ["autocell", "rehearse", what, "26"]
    assert printed[-2:] == ["--file", str(path)]


def test_one_bench_is_replayed_to_the_last_digit(
    environment: dict[str, str], in_this_process: list[Rehearsal]
) -> None:
    process = start(
        environment, "26", "--bench", "peat-bog", "--seed", "5", "--only", "1", "--json"
    )
    output, errors = process.communicate(timeout=_PATIENCE_S)
    replayed = json.loads(output)
    assert replayed["seed"] == in_this_process[1].seed
    assert replayed["travel_m"] == in_this_process[1].travel_m
    assert replayed["margin_low_m"] == in_this_process[1].margin_low_m
    assert replayed["ended"] == "reached and true"
    assert "approach" in errors


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("27", "--bench", "peat-bog"), "27 passes cannot be set"),
        (("26", "--bench", "peat-bog", "--dask", "x", "--workers", "2"), "--workers is for this"),
        (("26", "--bench", "peat-bog", "--benches", "0"), "--benches"),
        (("26", "--bench", "peat-bog", "--start", "upside-down"), "there are: six-pass"),
        (("26", "--bench", "peat-bog", "--scenario", "no-such"), "no-such"),
        (("26", "--bench", "peat-bog", "--from-belief"), "has proved anything yet"),
        (("26", "--bench", "peat-bog", "--from-belief", "19700101-0000-01"), "19700101-0000-01"),
    ],
)
def test_what_cannot_be_rehearsed_is_refused_at_once(
    environment: dict[str, str], tmp_path: Path, arguments: tuple[str, ...], said: str
) -> None:
    process = start(environment, *arguments)
    output, errors = process.communicate(timeout=_PATIENCE_S)
    assert process.returncode == 2
    assert output == ""
    assert said in errors
    assert not list(tmp_path.rglob("*.jsonl"))


@pytest.mark.parametrize(
    ("address", "said"),
    [("loft", "no address of a Dask scheduler"), ("PORT", "no Dask scheduler answers there")],
)
def test_a_cluster_that_is_not_there_is_one_sentence_and_no_file(
    environment: dict[str, str], tmp_path: Path, address: str, said: str
) -> None:
    pytest.importorskip("distributed")
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        address = address.replace("PORT", f"tcp://127.0.0.1:{closed.getsockname()[1]}")
        process = start(environment, "26", "--bench", "peat-bog", "--dask", address)
        output, errors = process.communicate(timeout=_PATIENCE_S)
    assert process.returncode == 2
    assert output == ""
    assert said in errors
    assert len(errors.splitlines()) == 1, errors
    assert not list(tmp_path.rglob("*.jsonl"))


@pytest.mark.parametrize("whom", ["all", "the command alone"])
def test_nights_that_are_interrupted_end_at_once_and_keep_what_was_finished(
    whom: str, tmp_path: Path, environment: dict[str, str]
) -> None:
    work = NightsPlan(load(shipped("peat-bog")), 62, 7, serious_only=True)
    path = tmp_path / "nights.jsonl"
    finished = [RehearsedNight(index, index, Verdict.UNCHANGED, "calm") for index in (0, 2)]
    for night in finished:
        NightsFile(path, work).append(night)
    process = start(
        environment,
        *("62", "--bench", "peat-bog", "--seed", "7", "--nights", "1000", "--workers", "1"),
        *("--serious", "--file", str(path)),
        what="night",
    )
    assert process.stderr is not None
    assert process.stderr.readline() == "2 of 1000 nights\n"
    if whom == "all":
        os.killpg(process.pid, signal.SIGINT)
    else:
        process.send_signal(signal.SIGINT)
    output, errors = process.communicate(timeout=_PATIENCE_S)
    assert process.returncode == 4
    assert output == ""
    assert "Traceback" not in errors
    assert "2 of 1000 nights are kept in" in errors
    printed = shlex.split(errors.strip().splitlines()[-1])
    assert printed[:4] == ["autocell", "rehearse", "night", "62"]
    assert printed[-3:] == ["--serious", "--file", str(path)]
    assert list(NightsFile(path, work).results.values()) == finished
