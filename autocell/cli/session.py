"""Runs as the command line tells them: cautions, findings, and errors for the place where they
end."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from autocell.bench.bench import Bench
from autocell.bench.clock import RealClock
from autocell.bench.opening import open_bench
from autocell.bench.stopping import stop_on_signals
from autocell.cli import output
from autocell.cli.invocation import Invocation
from autocell.description import BenchDescription
from autocell.records import Store
from autocell.report import cautions
from autocell.session import axis_memory
from autocell.session import conduct as session
from autocell.session.claim import claim
from autocell.session.conduct import Ended, Order, Procedure
from autocell.session.safe import Lines, safe_first
from autocell.session.stops import Stops


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
        ownership = stack.enter_context(claim(description, command))
        stops = Stops(description, Lines(), stack.enter_context(stop_on_signals()))
        stack.enter_context(stops.heeded(ownership))
        store = None
        if invocation is not None:
            with safe_first(description, owned=True):
                store = stack.enter_context(Store.open(invocation.store))
                description = axis_memory.with_measured_backlash(description, store)
                description = axis_memory.with_learned_steps(description, store)
        bench = stack.enter_context(open_bench(description, clock=RealClock()))
        stops.opened(bench)
        if store is not None:
            axis_memory.vouch(bench, store)
            axis_memory.recall_steps(bench, store)
        yield bench


def conduct(invocation: Invocation, order: Order, procedure: Procedure) -> Ended:
    """Record a run in the store of ``invocation`` and carry the procedure out, see
    :func:`autocell.session.conduct.conduct`; what a watcher should know goes to standard error.

    Whatever ends the procedure is recorded, left in ``invocation`` and raised again.
    """

    def tell(text: str) -> None:
        output.say(output.err(), text, "yellow")

    ended = session.conduct(replace(order, store=invocation.store, tell=tell), procedure)
    invocation.outcome = ended.outcome
    if ended.error is not None:
        raise ended.error
    return ended
