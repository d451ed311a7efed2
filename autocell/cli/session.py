"""Runs as the command line tells them: cautions, findings, and errors for the place where they
end."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from autocell.bench.bench import Bench
from autocell.bench.clock import RealClock
from autocell.bench.opening import open_bench
from autocell.bench.stopping import stop_on_signals
from autocell.cli import output
from autocell.cli.invocation import Invocation
from autocell.description import BenchDescription
from autocell.outcome import Outcome
from autocell.report import cautions
from autocell.session import conduct as session
from autocell.session.claim import claim


@dataclass(frozen=True)
class Order:
    """What a run was asked to do, and where its report goes."""

    command: str
    description: BenchDescription
    invocation: Invocation
    arguments: Mapping[str, Any] = field(default_factory=dict)
    report: Path | None = None


@dataclass(frozen=True)
class Finished:
    """A run that ended by itself, with its report if that could be written."""

    outcome: Outcome
    report: Path | None


def print_cautions(description: BenchDescription) -> None:
    """Once, before anything moves."""
    output.err().print(f"Caution: {cautions.in_short(description)}", style="yellow")


@contextmanager
def looking(description: BenchDescription, command: str) -> Iterator[Bench]:
    """The opened bench for a command that moves nothing and keeps no record."""
    with (
        claim(description, command),
        stop_on_signals() as interrupts,
        open_bench(description, clock=RealClock()) as bench,
    ):
        interrupts.tell(bench.request_stop)
        yield bench


def conduct(order: Order, procedure: session.Procedure) -> Finished:
    """Record a run and carry the procedure out, see :func:`autocell.session.conduct.conduct`.

    Whatever ends the procedure is recorded, left in ``order.invocation`` and raised again.
    """
    ended = session.conduct(
        session.Order(
            order.command,
            order.description,
            order.invocation.store,
            order.arguments,
            order.report,
            tell=lambda text: output.say(output.err(), text, "yellow"),
        ),
        procedure,
    )
    order.invocation.outcome = ended.outcome
    if ended.error is not None:
        raise ended.error
    return Finished(ended.outcome, ended.report)
