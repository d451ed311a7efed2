"""A hook is called without a shell, within its time, and its failure is told in a line."""

from __future__ import annotations

import os
import select
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from autocell.errors import Stopped
from autocell.outcome import Outcome, PathLength, Proof, Verdict
from autocell.programme import hooks
from autocell.programme.programme import load
from autocell.programme.schema import HookSection
from tests.programme.conftest import EVENING, NIGHTS, Nights, Write

PROVED = Outcome(
    Verdict.REACHED, "there", 62, 62, Proof(True, 0.9999), path_length=PathLength(14.6, 0.04)
)


def python(code: str, time_limit_s: float = 60.0) -> HookSection:
    return HookSection(command=[sys.executable, "-c", code], time_limit_s=time_limit_s)


def nobody() -> None:
    """Nobody watches."""


def test_a_hook_that_ends_well_says_nothing() -> None:
    told = hooks.environment("after", "nights", "change to 62 passes", 62, PROVED)
    code = (
        "import os\n"
        "assert os.environ['AUTOCELL_PASSES'] == '62'\n"
        "assert os.environ['AUTOCELL_VERDICT'] == 'reached'\n"
        "assert float(os.environ['AUTOCELL_PATH_LENGTH_M']) == 14.6"
    )
    assert hooks.call(python(code), told, nobody) is None


def test_what_is_not_proved_has_neither_passes_nor_a_path_length() -> None:
    held = Outcome(Verdict.HELD, "not proved", 62, 62, Proof(False, 0.6), path_length=None)
    told = hooks.environment("after", "nights", "change to 62 passes", 62, held)
    assert (told["AUTOCELL_PASSES"], told["AUTOCELL_PATH_LENGTH_M"]) == ("", "")
    assert hooks.environment("before", "nights", "", 62, None)["AUTOCELL_PASSES"] == "62"


@pytest.mark.parametrize(
    ("hook", "told"),
    [
        (python("import sys; sys.exit('the valve is open')"), "exit code 1: the valve is open"),
        (python("import time; time.sleep(60)", 0.2), "did not end within 0.2 s"),
        (HookSection(command=["/no/such/hook"]), "cannot be called"),
    ],
)
def test_a_hook_that_fails_is_one_line(hook: HookSection, told: str) -> None:
    failed = hooks.call(hook, {}, nobody)
    assert failed is not None
    assert told in failed
    assert "\n" not in failed


def test_a_hook_does_not_get_the_secrets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AUTOCELL_SECRET_POST", "heather")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    monkeypatch.setenv("EXPERIMENT", "peat")
    code = (
        "import os, sys\n"
        "assert os.environ['EXPERIMENT'] == 'peat'\n"
        "sys.exit(' '.join(n for n in os.environ if 'SECRET' in n or 'CREDENTIALS' in n) or 0)"
    )
    assert hooks.call(python(code), {}, nobody) is None


@pytest.mark.parametrize(
    "said",
    [
        "no access with Bearer bog-asphodel",
        "no access with bog-asphodel",
        "no access with heather",
        "x" * 290 + " with Bearer bog-asphodel",
    ],
)
def test_what_a_hook_says_goes_on_without_secrets(
    said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "post").write_text("heather\n")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    monkeypatch.setenv("AUTOCELL_SECRET_HOOK", "Bearer bog-asphodel")
    failed = hooks.call(python(f"import sys; sys.exit({said!r})"), {}, nobody)
    assert failed is not None
    assert not any(word in failed for word in ("heather", "Bearer", "bog-asphodel"))
    assert "(secret)" in failed or failed.endswith(" with (sec"), "cut off after 300 characters"


def waiting_for(file: Path) -> HookSection:
    code = f"import pathlib, time\nwhile not pathlib.Path({str(file)!r}).exists(): time.sleep(0.01)"
    return python(code)


def test_it_shows_that_it_is_alive_while_it_waits_for_a_hook(
    write: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The hook waits for a file that is made once it was waited for three times."""
    monkeypatch.setattr(hooks, "BEAT_S", 0.01)
    go_on = tmp_path / "go on"
    hook = waiting_for(go_on)
    programme = replace(load(write(NIGHTS)), hook=hook, steps=load(write(NIGHTS)).steps[:1])
    nights = Nights(programme, tmp_path, EVENING)
    conductor = nights.conductor()
    beats: list[str] = []

    def alive(doing: str) -> None:
        beats.append(doing)
        if beats.count("hook before change to 62 passes") == 3:
            go_on.touch()

    conductor.around = replace(conductor.around, alive=alive)
    assert conductor.once() is Verdict.REACHED
    assert go_on.exists()


def test_what_a_hook_leaves_running_is_not_waited_for(tmp_path: Path) -> None:
    ended = tmp_path / "ended"
    left_behind = waiting_for(ended).command
    code = (
        f"import subprocess, sys\nsubprocess.Popen({left_behind!r})\nsys.exit('the valve is open')"
    )
    try:
        failed = hooks.call(python(code), {}, nobody)
    finally:
        ended.touch()
    assert failed is not None
    assert failed.endswith("exit code 1: the valve is open")


def test_a_stop_ends_the_hook_and_what_it_has_started(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both hold a pipe open; that it ends shows that both are gone."""
    monkeypatch.setattr(hooks, "BEAT_S", 0.01)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    code = (
        "import os, subprocess, sys, time\n"
        f"line = os.open({str(pipe)!r}, os.O_WRONLY)\n"
        "sleep = [sys.executable, '-c', 'import time; time.sleep(120)']\n"
        "subprocess.Popen(sleep, pass_fds=[line])\n"
        "os.write(line, b'started')\n"
        "time.sleep(120)"
    )
    started = select.poll()
    started.register(reader, select.POLLIN)

    def alive() -> None:
        if started.poll(0):
            raise Stopped("stopped by SIGTERM")

    try:
        with pytest.raises(Stopped):
            hooks.call(python(code), {}, alive)
        assert os.read(reader, 100) == b"started"
        assert started.poll(30_000) == [(reader, select.POLLHUP)], "nobody holds it open any more"
    finally:
        os.close(reader)
