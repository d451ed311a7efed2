"""What a finished run prints: its outcome on standard output, where its report is beside it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from autocell.cli import output
from autocell.cli.session import Finished
from autocell.report import print_outcome


def print_finished(
    finished: Finished, as_json: bool, more: Mapping[str, Any] | None = None
) -> None:
    """The outcome as tables, or as one JSON object with ``more`` keys; then where the report is."""
    if as_json:
        output.print_json({**finished.outcome.as_json(), **(more or {})})
    else:
        print_outcome(finished.outcome, output.out())
    if finished.report is not None:
        output.say(output.err(), f"Report: {finished.report.absolute()}")
