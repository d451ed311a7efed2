"""What a finished run prints: its outcome on standard output, where its report is beside it."""

from __future__ import annotations

from autocell.cli import output
from autocell.cli.session import Finished
from autocell.report import print_outcome


def print_finished(finished: Finished, as_json: bool) -> None:
    """The outcome as tables, or as one JSON object; then where the report is."""
    if as_json:
        output.print_json(finished.outcome.as_json())
        tell_report(finished)
        return
    print_outcome(finished.outcome, output.out())
    tell_report(finished)


def tell_report(finished: Finished) -> None:
    """Where the report was written."""
    if finished.report is not None:
        output.say(output.err(), f"Report: {finished.report.absolute()}")
