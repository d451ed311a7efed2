"""The command that an experiment has called before and after each change.

It learns what it needs from its environment and from nowhere else; no shell is between. Secrets
are not in there, and none of what it says goes on with a secret in it.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from typing import IO, Literal

from autocell.notices.secrets import environment_without_secrets, without_secrets
from autocell.outcome import Outcome
from autocell.programme.schema import HookSection

When = Literal["before", "after"]
Alive = Callable[[], None]

_TOLD = 300
BEAT_S = 20.0
"""How often it is shown that somebody still waits for a hook: whoever watches for silence must not
take a long one for a process that hangs."""


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


def call(hook: HookSection, told: Mapping[str, str], alive: Alive) -> str | None:
    """Call the command and wait for it; why it failed, or None when it ended well.

    ``alive`` is called again and again while it lasts. One that takes longer than its time limit
    is ended, with all that it has started.
    """
    name = hook.command[0]
    # Files, not pipes: what a hook leaves running behind it may keep a pipe open for ever.
    with tempfile.TemporaryFile() as said, tempfile.TemporaryFile() as complained:
        try:
            process = subprocess.Popen(
                hook.command,
                env={**environment_without_secrets(), **told},
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=complained,
                start_new_session=True,
            )
        except OSError as error:
            return f"hook {name}: it cannot be called: {error.strerror}"
        code = _ended(process, hook.time_limit_s, alive)
        if code is None:
            return f"hook {name}: it did not end within {hook.time_limit_s:g} s, and was ended"
        if code == 0:
            return None
        words = _last_line(complained) or _last_line(said)
    return f"hook {name}: it ended with exit code {code}{words and f': {words}'}"


def _ended(process: subprocess.Popen[bytes], time_limit_s: float, alive: Alive) -> int | None:
    """Wait for a hook; its exit code, or None when it had to be ended."""
    deadline_s = time.monotonic() + time_limit_s
    try:
        while (left_s := deadline_s - time.monotonic()) > 0.0:
            with contextlib.suppress(subprocess.TimeoutExpired):
                return process.wait(min(left_s, BEAT_S))
            alive()
    except BaseException:  # a stop, most likely: nothing must go on behind it
        _end(process)
        raise
    _end(process)
    return None


def _end(process: subprocess.Popen[bytes]) -> None:
    """Kill a hook and all that it has started."""
    if sys.platform == "win32":
        process.kill()
    else:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def _last_line(file: IO[bytes]) -> str:
    """The last line of what a hook has written. Secrets are taken out of the whole before
    anything is cut off: half a secret could not be found any more."""
    file.seek(0)
    lines = without_secrets(file.read().decode("utf-8", "replace")).strip().splitlines()
    return lines[-1][:_TOLD] if lines else ""
