"""``autocell simulate`` with scenarios: what it serves, what it tells, and what it refuses."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import serial

from tests.cli.conftest import AUTOCELL, CommandLine, ask

PATIENCE_S = 240.0


def ready(process: subprocess.Popen[str]) -> dict[str, Any]:
    assert process.stdout is not None
    told: dict[str, Any] = json.loads(process.stdout.readline())
    return told


def ended(process: subprocess.Popen[str]) -> None:
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, err


def test_a_scenario_is_played_to_other_programs_and_told_on_the_control_port(
    autocell: CommandLine, tmp_path: Path
) -> None:
    scenario = tmp_path / "night.yaml"
    scenario.write_text(
        "scenario: a test\nstart: power-cycled\nfaults:\n"
        "  - {fault: truncated-reply, device: motion, when: {query: 2}}\n"
        "  - {fault: mode-hop, when: {at_s: 0.2}}\n"
    )
    truth = tmp_path / "truth.json"
    process = autocell.start(
        "simulate", "peat-bog", "--json", "--seed", 5, "--scenario", scenario, "--control",
        "--truth", truth,
    )  # fmt: skip
    told = ready(process)
    with serial.serial_for_url(told["addresses"]["motion"], timeout=1.0) as port:
        port.write(b"1 ST?\r")
        status = port.read_until(b"\r\n")
        port.write(b"ID?\r")
        broken = port.read_until(b"\r\n")
    assert not int(status.split()[2], 16) & 0x10  # not referenced: it has just lost power
    assert b"ID PLAIN-MOTION 1.2 SN 0417".startswith(broken)
    ask(told["control"], {"do": "begin", "fault": {"fault": "dust"}})
    faults = [event["fault"] for event in ask(told["control"], {"do": "events"})]
    assert sorted(faults) == ["dust", "mode-hop", "truncated-reply"]
    ended(process)
    report = json.loads(truth.read_text())
    assert [event["fault"] for event in report["events"]] == faults
    assert report["drawn"]["dust"] == []
    assert len(report["changed"]["dust"]) == 1


def test_with_a_scenario_the_bench_file_names_the_serial_port_by_identity(
    autocell: CommandLine,
) -> None:
    process = autocell.start("simulate", "peat-bog", "--json", "--scenario", "bad-night")
    told = ready(process)
    text = Path(told["bench_file"]).read_text()
    assert "by-id/motion" in text or not hasattr(os, "openpty")
    assert told["control"] is None
    ended(process)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("scenario: x\nfaults:\n  - {fault: knok}\n", "did you mean knock?"),
        ("scenario: x\nfaults:\n  - {fault: step-size}\n", "only a piezo-inertia axis can have it"),
        ("scenario: x\nstart: upside-down\n", "no start state 'upside-down'"),
    ],
)
def test_a_scenario_that_cannot_be_played_is_refused_in_words(
    autocell: CommandLine, tmp_path: Path, text: str, said: str
) -> None:
    (tmp_path / "night.yaml").write_text(text)
    answer = autocell.here("simulate", "peat-bog", "--scenario", tmp_path / "night.yaml")
    assert answer.code == 2
    assert said in answer.err


def test_a_scenario_that_is_not_there_is_refused_in_words(autocell: CommandLine) -> None:
    assert (
        "no such scenario file"
        in autocell.here("simulate", "peat-bog", "--scenario", "missing.yaml").err
    )


STARTER = """
import json, signal, subprocess, sys, time
command, ignores_hang_up, pipe = json.loads(sys.argv[1])
signal.signal(signal.SIGHUP, signal.SIG_IGN if ignores_hang_up else signal.SIG_DFL)
stdin = subprocess.PIPE if pipe else None
child = subprocess.Popen(command, stdin=stdin, stdout=subprocess.PIPE)
print(child.pid, child.stdout.readline().decode(), flush=True)
time.sleep(600)
"""


@contextmanager
def orphan(
    folder: Path, *options: str, nohup: bool = False, starter_nohup: bool = False
) -> Iterator[tuple[int, dict[str, Any]]]:
    """The process of a bench whose starter was killed once it was served, and what it told.

    Its standard input ends with ``--until-eof`` alone, and nothing else tells it of the end.
    """
    command = [*(["nohup"] * nohup), *AUTOCELL, "simulate", "peat-bog", "--json", *options]
    what = json.dumps([command, starter_nohup, "--until-eof" in options])
    with subprocess.Popen(
        [sys.executable, "-c", STARTER, what],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=folder,
    ) as starter:
        assert starter.stdout is not None
        pid, _, told = starter.stdout.readline().partition(" ")
        starter.kill()
        starter.wait()
        try:
            yield int(pid), json.loads(told)
        finally:
            with suppress(ProcessLookupError):
                os.kill(int(pid), signal.SIGKILL)


def wait_until_gone(pid: int) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while _is_running(pid):
        assert time.monotonic() < deadline
        time.sleep(0.05)


@pytest.mark.parametrize("starter_nohup", [False, True])
def test_it_ends_with_the_program_that_started_it_and_was_killed(
    tmp_path: Path, starter_nohup: bool
) -> None:
    with orphan(tmp_path, starter_nohup=starter_nohup) as (pid, told):
        wait_until_gone(pid)
        assert not Path(told["bench_file"]).exists()  # it tidied up behind itself


def test_until_eof_it_ends_with_its_standard_input(tmp_path: Path) -> None:
    with orphan(tmp_path, "--until-eof", nohup=True) as (pid, _):
        wait_until_gone(pid)


def test_started_with_nohup_it_stays(tmp_path: Path) -> None:
    with orphan(tmp_path, "--control", nohup=True) as (stays, told), orphan(tmp_path) as (goes, _):
        wait_until_gone(goes)  # which was left alone later
        os.kill(stays, signal.SIGHUP)
        assert ask(told["control"], {"do": "events"}) == []
        os.kill(stays, signal.SIGTERM)
        wait_until_gone(stays)


def test_a_terminal_that_is_closed_ends_it_in_order(autocell: CommandLine, tmp_path: Path) -> None:
    truth = tmp_path / "truth.json"
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)  # these tests may run under nohup
    try:
        process = autocell.start("simulate", "peat-bog", "--json", "--truth", truth)
    finally:
        signal.signal(signal.SIGHUP, before)
    ready(process)
    process.send_signal(signal.SIGHUP)
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, err
    assert json.loads(truth.read_text())


def _is_running(pid: int) -> bool:
    try:
        os.kill(pid, 0)
        state = Path(f"/proc/{pid}/stat")
        return not state.exists() or state.read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except (ProcessLookupError, FileNotFoundError):
        return False
