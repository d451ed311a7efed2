"""What a programme does before anything else when it is started."""

from __future__ import annotations

from dataclasses import replace

from autocell.bench.bench import Bench
from autocell.description import BenchDescription
from autocell.errors import AutocellError, StoreError
from autocell.outcome import Outcome, Verdict
from autocell.programme.around import Around
from autocell.programme.pulse import Pulse
from autocell.records import CLEAR_UP, Store
from autocell.session.aftermath import DEMO
from autocell.session.conduct import Order, conduct
from autocell.session.safe import safe_first


def clear_up_first(bench: BenchDescription, around: Around) -> None:
    """If a run on this bench broke off, open the bench now and deal with what it has left: the
    next step may be hours away, and an axis may still be moving.

    What keeps the bench held is told, and keeps each step held too. Raises StoreError, after which
    every axis was told to stop, and Stopped.
    """
    with safe_first(bench, around.lines), Store.open(around.store) as store:
        if all(run.command == DEMO for run in store.unfinished(bench.name)):
            return
    pulse = Pulse(
        around.alive,
        "looking at what a run that broke off has left",
        around.lines.clock(),
        bench.caps.time_s,
    )
    order = Order(
        CLEAR_UP, bench, around.store, page=around.pages, tell=around.tell,
        lines=replace(around.lines, clock=lambda: pulse), taken_up_again=True,
    )  # fmt: skip
    try:
        ended = conduct(order, _cleared_up)
    except StoreError:
        raise
    except AutocellError as error:  # whoever has the bench is at that run, or deals with it
        around.tell(f"What a run before may have left was not looked at: {error}")
        return
    if ended.error is not None:
        around.tell(f"What a run before has left: {ended.outcome.reason}")
    if ended.outcome.verdict is not Verdict.UNCHANGED and not ended.left_open:
        around.ended(ended.outcome)
    if ended.error is not None and not isinstance(ended.error, Exception):
        raise ended.error


def _cleared_up(bench: Bench) -> Outcome:
    """The outcome once the aftermath is dealt with, which is done before any procedure."""
    return Outcome(
        Verdict.UNCHANGED,
        "nothing is left of runs that broke off",
        setting=bench.setting,
        start=bench.setting,
        elapsed_s=bench.usage.elapsed_s,
    )
