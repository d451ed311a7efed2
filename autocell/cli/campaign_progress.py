"""How far a campaign is, on a terminal or in a log."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from autocell_simulators.rehearsal.campaign import ShowProgress
    from rich.console import Console

_BETWEEN_LINES_S = 20.0


@contextmanager
def campaign_shown(console: Console) -> Iterator[ShowProgress]:
    """A bar on a terminal; elsewhere a line now and then."""
    if console.is_terminal:
        with _bar(console) as progress:
            yield progress
        return
    told_s = float("-inf")

    def tell(done: int, total: int, seconds_left: float | None) -> None:
        nonlocal told_s
        now_s = time.monotonic()
        if done == total or now_s - told_s > _BETWEEN_LINES_S:
            told_s = now_s
            print(f"{done} of {total} benches{_left(seconds_left)}", file=sys.stderr, flush=True)

    yield tell


@contextmanager
def _bar(console: Console) -> Iterator[ShowProgress]:
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (
        TextColumn("benches"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[left]}"),
    )
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task("", left="")

        def tell(done: int, total: int, seconds_left: float | None) -> None:
            progress.update(task, completed=done, total=total, left=_left(seconds_left))

        yield tell


def _left(seconds_left: float | None) -> str:
    from autocell.report import words

    return "" if seconds_left is None else f", {words.duration(seconds_left)} left"
