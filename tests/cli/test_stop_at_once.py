"""``stop`` asks all owners at the same time: none that hangs keeps another from being stopped."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from autocell.bench.file import shipped
from autocell.cli.main import main
from autocell.session import claim as claims

Printed = pytest.CaptureFixture[str]

OWNER = """
import os, signal, sys, threading
from autocell.bench.file import load
from autocell.session.claim import Stop, claim

bench, what, meeting, mode = sys.argv[1:]
stopped = threading.Event()

def stop(by):
    if meeting:
        open(meeting, mode).close()  # returns once the other end is opened, too: fifo(7)
    stopped.set()
    return Stop(told=True, unconfirmed={})

with claim(load(bench), "run", what) as ownership, ownership.stopping(stop):
    print("owned", flush=True)
    if mode == "hangs":
        os.kill(os.getpid(), signal.SIGSTOP)
    stopped.wait()
"""

Own = Callable[[str, str, str], subprocess.Popen[str]]


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A bench file of nobody else, whose controller is nowhere."""
    dialect = shipped("peat-bog").with_name("plain-motion.yaml")
    (tmp_path / dialect.name).write_bytes(dialect.read_bytes())
    text = shipped("peat-bog").read_text("utf-8")
    assert text.count("/dev/ttyUSB0") == 1
    file = tmp_path / "bench.yaml"
    file.write_text(text.replace("/dev/ttyUSB0", f"socket://127.0.0.1:1/{tmp_path}"), "utf-8")
    return file


@pytest.fixture
def own(bench: Path) -> Iterator[Own]:
    """Starts a process that owns the bench or its programme."""
    with ExitStack() as ends:

        def start(what: str, meeting: str, mode: str) -> subprocess.Popen[str]:
            command = [sys.executable, "-c", OWNER, str(bench), what, meeting, mode]
            owner = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
            ends.callback(owner.communicate)
            ends.callback(owner.kill)
            assert owner.stdout is not None
            assert owner.stdout.readline() == "owned\n"
            return owner

        yield start


def test_owners_that_stop_only_together_are_both_stopped(
    own: Own, bench: Path, tmp_path: Path, capsys: Printed
) -> None:
    meeting = str(tmp_path / "meeting")
    os.mkfifo(meeting)
    owners = [own(claims.USE, meeting, "r"), own(claims.PROGRAMME, meeting, "w")]
    assert main(["stop", "--bench", str(bench)]) == 0
    told = capsys.readouterr().out.splitlines()
    assert len(told) == 2
    for owner in owners:
        assert any(f"process {owner.pid}" in line for line in told)


def test_an_owner_that_hangs_is_named_though_another_of_its_bench_answers(
    own: Own, bench: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(claims, "_ANSWER_S", 0.5)
    monkeypatch.setattr(claims, "_STOP_ANSWER_S", 1.0)
    hung = own(claims.USE, "", "hangs")
    os.waitpid(hung.pid, os.WUNTRACED)  # it hangs only now
    programme = own(claims.PROGRAMME, "", "answers")
    assert main(["stop", "--bench", str(bench)]) == 5
    first, second = capsys.readouterr().out.splitlines()
    assert f"process {programme.pid}" in first
    assert second.startswith(f"Process {hung.pid} does not answer")
