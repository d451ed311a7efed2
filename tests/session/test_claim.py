"""One process owns a bench; others are told who it is, and may stop it."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from autocell.bench.file import load, shipped
from autocell.description import BenchDescription
from autocell.errors import Busy
from autocell.session.claim import Stop, ask_to_stop, claim, claim_names, claimed_names, owner_of

OWNER_THAT_HANGS = """
import os, signal, sys
from pathlib import Path
from autocell.session.claim import claim
from tests.session.test_claim import at_address
with claim(at_address(sys.argv[1]), "survey"):
    print("owned", flush=True)
    os.kill(os.getpid(), signal.SIGSTOP)
"""

OWNER_THAT_LEAVES_AS_SOON_AS_IT_IS_STOPPED = """
import sys, threading, time
from autocell.session.claim import Stop, claim
from tests.session.test_claim import at_address
stopped = threading.Event()
def stop(by):
    stopped.set()
    time.sleep(0.2)
    return Stop(told=True, unconfirmed={})
with claim(at_address(sys.argv[1]), "run") as ownership, ownership.stopping(stop):
    print("owned", flush=True)
    stopped.wait()
"""


def at_address(address: str) -> BenchDescription:
    """The shipped bench, its controller at another address."""
    bench = load(shipped("peat-bog"))
    devices = {**bench.devices, "motion": replace(bench.devices["motion"], address=address)}
    return replace(bench, devices=devices)


@pytest.fixture
def bench(tmp_path: Path) -> BenchDescription:
    return at_address(f"socket://127.0.0.1:1/{tmp_path}")


def test_a_second_owner_is_refused_and_told_who_and_since_when(bench: BenchDescription) -> None:
    with claim(bench, "change"):
        who = r"'autocell change'.*process \d+, user \w+.*since 20"
        with pytest.raises(Busy, match=who) as told, claim(bench, "survey"):
            pass
        assert str(os.getpid()) in str(told.value)
        (name,) = claim_names(bench)
        owner = owner_of(name)
    assert owner is not None
    assert (owner.command, owner.bench, owner.process) == ("change", bench.name, os.getpid())
    with claim(bench, "survey"):
        pass


def test_two_names_of_one_port_are_one_bench(tmp_path: Path) -> None:
    port, other_name = tmp_path / "port", tmp_path / "by-id"
    port.touch()
    other_name.symlink_to(port)
    assert claim_names(at_address(str(port))) == claim_names(at_address(str(other_name)))


def test_a_port_that_is_not_there_is_owned_by_nobody(tmp_path: Path) -> None:
    assert claim_names(at_address(str(tmp_path / "no-port"))) == []


def test_owners_are_found_without_knowing_their_bench(bench: BenchDescription) -> None:
    with claim(bench, "change"):
        (name,) = claim_names(bench)
        assert name in claimed_names()
    assert name not in claimed_names()


def test_who_asked_for_a_stop_is_answered_though_the_owner_leaves_at_once(tmp_path: Path) -> None:
    address = f"socket://127.0.0.1:1/{tmp_path}"
    command = [sys.executable, "-c", OWNER_THAT_LEAVES_AS_SOON_AS_IT_IS_STOPPED, address]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as owner:
        assert owner.stdout is not None
        owner.stdout.readline()
        (name,) = claim_names(at_address(address))
        came = ask_to_stop(name)
        assert came.told
        assert came.owner is not None
        assert came.owner.process == owner.pid


def test_a_stop_is_carried_out_in_the_name_of_who_asked(bench: BenchDescription) -> None:
    asked_by: list[str] = []

    def stop(by: str) -> Stop:
        asked_by.append(by)
        return Stop(True, {"yaw": "silent"})

    (name,) = claim_names(bench)
    with claim(bench, "change") as ownership:
        assert not ask_to_stop(name).told
        with ownership.stopping(stop):
            came = ask_to_stop(name)
        assert not ask_to_stop(name).told
    assert (came.told, came.unconfirmed) == (True, {"yaw": "silent"})
    assert came.owner is not None
    assert came.owner.command == "change"
    assert asked_by == [f"'autocell stop' (process {os.getpid()}, user {_me()})"]


def test_a_caller_that_says_nothing_does_not_keep_a_stop_waiting(bench: BenchDescription) -> None:
    (name,) = claim_names(bench)
    stopped = threading.Event()

    def stop(_by: str) -> Stop:
        stopped.set()
        return Stop(True, {})

    with (
        claim(bench, "change") as ownership,
        ownership.stopping(stop),
        socket.socket(socket.AF_UNIX) as mute,
        socket.socket(socket.AF_UNIX) as rude,
    ):
        mute.connect(b"\0" + name.encode())
        rude.connect(b"\0" + name.encode())
        rude.sendall(b"open the window\n")
        assert "error" in json.loads(rude.recv(1000))
        assert ask_to_stop(name).told
    assert stopped.is_set()


def test_an_owner_that_hangs_is_named_by_its_process(bench: BenchDescription) -> None:
    address = bench.devices["motion"].address
    owner = subprocess.Popen(
        [sys.executable, "-c", OWNER_THAT_HANGS, address], stdout=subprocess.PIPE, text=True
    )
    try:
        assert owner.stdout is not None
        assert owner.stdout.readline() == "owned\n"
        os.waitpid(owner.pid, os.WUNTRACED)  # it hangs only now
        who = f"process {owner.pid}, which does not answer"
        with pytest.raises(Busy, match=who), claim(bench, "survey"):
            pass
    finally:
        owner.kill()
        owner.communicate()
    with claim(bench, "survey"):
        pass


def _me() -> str:
    import getpass

    return getpass.getuser()
