"""A line that fails once, at whatever call of a change, costs nothing but time, or ends the change
with a true reason.

Every call is struck by ``python -m tests.faults.every_call run 38``, which takes its time; here it
is a part of them.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.thorough
def test_calls_that_fail_end_in_the_truth(tmp_path: Path) -> None:
    ended = subprocess.run(
        [sys.executable, "-m", "tests.faults.every_call", "run", "26", "--every", "97",
         "--folder", str(tmp_path)],
        capture_output=True,
        encoding="utf-8",
        check=False,
    )  # fmt: skip
    assert ended.stdout, ended.stderr
    told = json.loads(ended.stdout)
    assert told["wrong"] == 0, told["examples"]
    assert told["runs"] > 20
    assert (
        sum(count for how, count in told["ends"].items() if "reached" in how) > 0.8 * told["runs"]
    )
