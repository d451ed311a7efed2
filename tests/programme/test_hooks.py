"""A hook is called without a shell, within its time, and its failure is told in a line."""

from __future__ import annotations

import sys

import pytest

from autocell.outcome import Outcome, PathLength, Proof, Verdict
from autocell.programme import hooks
from autocell.programme.schema import HookSection

PROVED = Outcome(
    Verdict.REACHED, "there", 62, 62, Proof(True, 0.9999), path_length=PathLength(14.6, 0.04)
)


def python(code: str, time_limit_s: float = 60.0) -> HookSection:
    return HookSection(command=[sys.executable, "-c", code], time_limit_s=time_limit_s)


def test_a_hook_that_ends_well_says_nothing() -> None:
    told = hooks.environment("after", "nights", "change to 62 passes", 62, PROVED)
    code = (
        "import os\n"
        "assert os.environ['AUTOCELL_PASSES'] == '62'\n"
        "assert os.environ['AUTOCELL_VERDICT'] == 'reached'\n"
        "assert float(os.environ['AUTOCELL_PATH_LENGTH_M']) == 14.6"
    )
    assert hooks.call(python(code), told) is None


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
    failed = hooks.call(hook, {})
    assert failed is not None
    assert told in failed
    assert "\n" not in failed
