"""Runs as the command line tells them: cautions, findings, and errors for the place where they
end."""

from __future__ import annotations

import contextlib
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
from autocell.records import Store
from autocell.report import cautions
from autocell.session import axis_memory
from autocell.session import conduct as session
from autocell.session.claim import claim
from autocell.session.safe import safe_first


@dataclass(frozen=True)
class Order:
    """What a run was asked to do, and where its report goes, if there is to be one."""

    command: str
    description: BenchDescription
    invocation: Invocation
    arguments: Mapping[str, Any] = field(default_factory=dict)
    report: Path | None = None
    page: bool = True


@dataclass(frozen=True)
class Finished:
    """A run that ended by itself, with its report if that could be written."""

    outcome: Outcome
    report: Path | None


def print_cautions(description: BenchDescription) -> None:
    """Once, before anything moves."""
    output.err().print(f"Caution: {cautions.in_short(description)}", style="yellow")


@contextmanager
def looking(
    description: BenchDescription, command: str, invocation: Invocation | None = None
) -> Iterator[Bench]:
    """The opened bench for a command that moves nothing and keeps no record.

    With ``invocation``, as a run would find it that is kept in its store. Raises StoreError,
    after which every axis was told to stop.
    """
    with contextlib.ExitStack() as stack:
        stack.enter_context(claim(description, command))
        interrupts = stack.enter_context(stop_on_signals())
        store = None
        if invocation is not None:
            with safe_first(description, owned=True):
                store = stack.enter_context(Store.open(invocation.store))
                description = axis_memory.with_measured_backlash(description, store)
                description = axis_memory.with_learned_steps(description, store)
        bench = stack.enter_context(open_bench(description, clock=RealClock()))
        interrupts.tell(bench.request_stop)
        if store is not None:
            axis_memory.vouch(bench, store)
            axis_memory.recall_steps(bench, store)
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
            page=order.page,
            tell=lambda text: output.say(output.err(), text, "yellow"),
        ),
        procedure,
    )
    order.invocation.outcome = ended.outcome
    if ended.error is not None:
        raise ended.error
    return Finished(ended.outcome, ended.report)
