"""What a finished run prints: its outcome on standard output, where its report is beside it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from autocell.bench.stopping import stop_on_signals
from autocell.cli import output
from autocell.cli.invocation import Invocation
from autocell.report import print_outcome
from autocell.session.conduct import Ended


def print_finished(
    invocation: Invocation,
    finished: Ended,
    as_json: bool,
    more: Mapping[str, Any] | None = None,
) -> None:
    """The outcome as tables, or as one JSON object with ``more`` keys; then where the report is."""
    with stop_on_signals() as interrupts:
        interrupts.ignore()  # half an outcome, or one told twice, would help nobody
        if as_json:
            output.print_json({**finished.outcome.as_json(), **(more or {})})
        else:
            print_outcome(finished.outcome, output.out())
        invocation.told = True
    if finished.report is not None:
        output.say(output.err(), f"Report: {finished.report.absolute()}")
