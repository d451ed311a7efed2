"""From an error to one sentence, a verdict and an exit code."""

from __future__ import annotations

import sys
import tempfile
import traceback
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from autocell.errors import AutocellError, Stopped, UsageError

if TYPE_CHECKING:
    from autocell.cli.invocation import Invocation

USAGE = 2


def interrupted() -> Stopped:
    """An interrupt while no bench was open."""
    return Stopped("interrupted while no bench was open; nothing moves")


def tell(error: BaseException, invocation: Invocation) -> int:
    """Print the error for people and, where a JSON outcome is due, for machines; the exit code."""
    from autocell.session.conduct import outcome_of

    if invocation.told and invocation.outcome is not None:
        print(f"autocell: {outcome_of(error).reason}, after the outcome was told", file=sys.stderr)
        return invocation.outcome.verdict.exit_code
    outcome = invocation.outcome or outcome_of(error)
    if not isinstance(error, (AutocellError, Stopped)):
        log = _write_down(error, invocation.store)
        outcome = replace(outcome, reason=f"{outcome.reason}. The details are in {log}")
    if invocation.wants_outcome:
        from autocell.cli.output import print_json

        print_json(outcome.as_json())
    where = "" if outcome.run is None else f"\nRun {outcome.run} is recorded as {outcome.verdict}."
    print(f"autocell: {outcome.reason}{where}", file=sys.stderr)
    return USAGE if isinstance(error, UsageError) else outcome.verdict.exit_code


def tell_usage(reason: str) -> None:
    """Print the JSON outcome of a command that was refused for its options."""
    from autocell.cli.output import print_json
    from autocell.outcome import Outcome, Verdict

    print_json(Outcome(Verdict.FAILED, reason).as_json())


def _write_down(error: BaseException, store: Path | None) -> Path:
    """Keep the traceback, beside the run store or wherever else a file can be written."""
    from autocell.records import default_path

    name = f"{datetime.now(UTC):%Y%m%d-%H%M%S}.log"
    text = "".join(traceback.format_exception(error))
    folder = (store or default_path()).parent / "errors"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / name
        path.write_text(text, encoding="utf-8")
    except OSError:
        path = Path(tempfile.mkdtemp(prefix="autocell-error-")) / name
        path.write_text(text, encoding="utf-8")
    return path
