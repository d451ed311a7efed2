"""The command that an experiment has called before and after each change.

It learns what it needs from its environment and from nowhere else; no shell is between.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Mapping
from typing import Literal

from autocell.outcome import Outcome
from autocell.programme.schema import HookSection

When = Literal["before", "after"]
_TOLD = 300


def environment(
    when: When, programme: str, step: str, passes: int | None, outcome: Outcome | None
) -> dict[str, str]:
    """What a hook is told; values that are not known are empty.

    ``AUTOCELL_PASSES`` are the wanted passes before the change (empty where a recovery takes what
    was proved last), and those reached after it, empty unless they are proved. Lengths are metres.
    """
    proved = outcome is not None and outcome.proof is not None and outcome.proof.proved
    path = outcome.path_length if outcome is not None and proved else None
    reached = "" if outcome is None or not proved else str(outcome.passes)
    return {
        "AUTOCELL_WHEN": when,
        "AUTOCELL_PROGRAMME": programme,
        "AUTOCELL_STEP": step,
        "AUTOCELL_PASSES": str(passes or "") if when == "before" else reached,
        "AUTOCELL_VERDICT": "" if outcome is None else outcome.verdict.value,
        "AUTOCELL_REASON": "" if outcome is None else outcome.reason,
        "AUTOCELL_RUN": "" if outcome is None or outcome.run is None else outcome.run,
        "AUTOCELL_PATH_LENGTH_M": "" if path is None else repr(path.value_m),
        "AUTOCELL_PATH_LENGTH_EXPANDED_U_M": "" if path is None else repr(path.expanded_u_m),
    }


def call(hook: HookSection, told: Mapping[str, str]) -> str | None:
    """Call the command and wait for it; why it failed, or None when it ended well.

    One that takes longer than its time limit is ended.
    """
    name = hook.command[0]
    try:
        ended = subprocess.run(
            hook.command,
            env={**os.environ, **told},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            encoding="utf-8",
            errors="replace",
            timeout=hook.time_limit_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return f"hook {name}: it did not end within {hook.time_limit_s:g} s, and was ended"
    except OSError as error:
        return f"hook {name}: it cannot be called: {error.strerror}"
    if ended.returncode == 0:
        return None
    last = (ended.stderr or ended.stdout).strip().splitlines()[-1:]
    words = f": {last[0][:_TOLD]}" if last else ""
    return f"hook {name}: it ended with exit code {ended.returncode}{words}"
