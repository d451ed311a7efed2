"""``autocell check --motion`` over real lines, in processes of its own."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import signal
import subprocess
import time

import pytest

from autocell.bench.file import load
from autocell.records import Store
from autocell.session.axis_memory import hardware
from tests.cli.conftest import AUTOCELL, CommandLine


@pytest.fixture
def autocell(tmp_path_factory: pytest.TempPathFactory) -> CommandLine:
    return CommandLine(tmp_path_factory.mktemp("cli"))


def test_where_nobody_can_be_asked_nothing_is_opened_without_yes(autocell: CommandLine) -> None:
    ended = autocell("check", "--motion", "--bench", "peat-bog")
    assert ended.code == 2
    assert "say --yes" in ended.err
    assert "/dev/ttyUSB0" not in ended.err


def test_options_of_the_motion_check_are_refused_without_it(autocell: CommandLine) -> None:
    ended = autocell.here("check", "--axis", "yaw", "--bench", "peat-bog")
    assert ended.code == 2
    assert "add --motion" in ended.err


def at_a_terminal(autocell: CommandLine, answer: bytes, *arguments: object) -> tuple[int, str, str]:
    """Run a command at a terminal of its own, and type ``answer`` once it asks; its exit code, what
    the terminal showed, and what went to standard output, which is no terminal."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [*AUTOCELL, *map(str, arguments)],
        cwd=autocell.folder,
        env={**os.environ, "AUTOCELL_STORE": str(autocell.store)},
        stdin=theirs,
        stdout=subprocess.PIPE,
        stderr=theirs,
        start_new_session=True,
    )
    os.close(theirs)
    shown = b""
    try:
        while b"Move them? [y/N]:" not in shown:
            shown += os.read(ours, 4096)
        os.write(ours, answer)
        out, _ = process.communicate(timeout=240)
        with contextlib.suppress(OSError):  # the other end is closed: all has been shown
            while more := os.read(ours, 4096):
                shown += more
    finally:
        process.kill()
        process.wait()
        os.close(ours)
    return process.returncode, shown.decode("utf-8", "replace"), out.decode()


@pytest.mark.thorough
def test_who_is_asked_and_says_no_moves_nothing_and_who_says_yes_does(
    autocell: CommandLine,
) -> None:
    with autocell.simulating("--seed", 5) as simulation:
        command = ("check", "--motion", "--json", "--axis", "vertical", "--cycles", 2, "--bench")
        refused, asked, nothing = at_a_terminal(autocell, b"n\n", *command, simulation.bench_file)
        code, shown, out = at_a_terminal(autocell, b"y\n", *command, simulation.bench_file)
        truth = simulation.end()
    assert "Keep the travel free" in asked
    assert "no axis was moved, as you wished" in asked
    assert "Traceback" not in asked + shown
    assert (refused, nothing) == (4, "")
    assert code == 0, shown
    # by the simulator's own count, and no run was begun by the one that said no
    assert truth["moves"] == json.loads(out)["moves"] > 0
    with Store.open(autocell.store) as store:
        assert len(store.runs()) == 1


@pytest.mark.thorough
def test_an_axis_is_checked_over_real_lines_and_the_result_is_kept(autocell: CommandLine) -> None:
    with autocell.simulating("--seed", 5) as simulation:
        options = ("--bench", simulation.bench_file, "--axis", "vertical", "--cycles", 2)
        shown = autocell("check", "--motion", "--dry-run", *options)
        checked = autocell("check", "--motion", "--yes", "--json", *options)
        description = load(simulation.bench_file)
        looked = autocell("check", "--bench", simulation.bench_file)
        truth = simulation.end()
    assert shown.code == 0
    assert "Nothing is moved yet" in shown.out
    assert checked.code == 0, checked.err
    assert checked.json["verdict"] == "unchanged"
    (vertical,) = checked.json["motion"]
    assert vertical["axis"] == "vertical"
    # by the simulator's own count, the dry run and the look having moved nothing
    assert truth["moves"] == checked.json["moves"]
    assert truth["positions"]["vertical"] == pytest.approx(0.0, abs=6e-6)
    with Store.open(autocell.store) as store:
        kept = store.axis_measurements(description.name)["vertical"]
        assert store.first_moves(description.name).keys() == {"vertical"}
    assert kept.hardware == hardware(description, "vertical")
    assert kept.figures["read_back"] == vertical["read_back"]
    assert kept.run == checked.json["run"]
    assert "reversal vertical" in looked.out


def test_an_interrupt_stops_it_and_nothing_moves_afterwards(autocell: CommandLine) -> None:
    with autocell.simulating("--seed", 5) as simulation:
        process = autocell.start(
            "check", "--motion", "--yes", "--json", "--bench", simulation.bench_file
        )
        assert process.stderr is not None
        while "upwards" not in process.stderr.readline():
            assert process.poll() is None
        time.sleep(0.3)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
        with Store.open(autocell.store) as store:
            sent = len(store.run(store.runs()[0].id).moves)
        time.sleep(0.5)
        truth = simulation.end()
    assert process.returncode == 4
    assert '"verdict": "held"' in out
    assert "every axis was told to stop" in err
    assert "Traceback" not in out + err
    assert truth["moves"] <= sent
