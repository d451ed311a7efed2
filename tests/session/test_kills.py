"""Killed anywhere, a run leaves a bench that the next start makes safe and tells the truth about.

Every point of a whole change, and of a whole recovery, is killed by ``python -m
tests.session.kills change`` and ``recover``, which take their time; here it is a part of the points
of a short run, and of a recovery whose steps may use so little that all of them are undone.
"""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import pytest

pytestmark = pytest.mark.thorough


def killed(*arguments: object) -> dict[str, Any]:
    """What the enumeration tells, in a process of its own, since it forks."""
    ended = subprocess.run(
        [sys.executable, "-m", "tests.session.kills", *map(str, arguments)],
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert ended.stdout, ended.stderr
    told: dict[str, Any] = json.loads(ended.stdout)
    return told


def test_a_run_that_is_killed_is_undone_and_one_whose_controller_forgot_is_held() -> None:
    told = killed("short", "--every", 37)
    for summary in told.values():
        assert summary["wrong"] == 0, summary["examples"]
    assert set(told["killed"]["stories"]) == {"nothing to undo", "undone"}
    assert set(told["power failed"]["stories"]) == {"nothing to undo", "held"}


def test_a_start_that_is_killed_while_it_undoes_is_undone_by_the_next() -> None:
    told = killed("short", "--again", "--every", 41)["killed twice"]
    assert told["wrong"] == 0, told["examples"]
    assert set(told["stories"]) == {"undone"}


def test_a_recovery_that_is_killed_in_any_of_its_steps_is_undone_or_held_like_a_change() -> None:
    told = killed("recover", 6, "--step-readings", 2, "--every", 149)
    for summary in told.values():
        assert summary["wrong"] == 0, summary["examples"]
        assert summary["run"].startswith("held: no step brought a proof")
    assert set(told["killed"]["stories"]) == {"nothing to undo", "undone"}
    assert set(told["power failed"]["stories"]) == {"nothing to undo", "held"}
