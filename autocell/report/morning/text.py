"""The morning report in the terminal."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from autocell.report import cautions, words
from autocell.report.morning.advice import advice
from autocell.report.morning.compared import COMPARED_HEAD, compared
from autocell.report.morning.morning import Morning
from autocell.report.morning.rows import MOVED_HEAD, TREND_HEAD, moved, trend_rows
from autocell.report.morning.runs import RUNS_HEAD, events, origin, run_rows
from autocell.report.morning.verdict import explanation, headline, night_in_words, state, tally

_WORDS = ("Runs out", "Run", "Verdict", "All of it")
"""Heads of columns that are set to the left."""

_STYLES = {"success": "green", "partly": "yellow", "failure": "red"}


def print_morning(morning: Morning, console: Console, folder: Path = Path()) -> None:
    """What the page says, without its pictures. ``folder`` is that of the page, from which
    the links of a morning lead."""
    console.print()
    night = "" if morning.night is None else f", {night_in_words(morning.night)}"
    console.print(Text(f"{morning.bench.name}{night}", style="dim"))
    console.print(Text(headline(morning), style=f"bold {_STYLES[state(morning)]}"))
    console.print(Text(explanation(morning)))
    console.print()
    for piece in advice(morning):
        wait = " It can wait." if piece.can_wait and len(piece.text) > 20 else ""
        console.print(Text(f"→ {piece.text}{wait}"))
    _print_table(console, COMPARED_HEAD, [row.cells() for row in compared(morning)])
    _print_table(console, MOVED_HEAD, [row.cells() for row in moved(morning)])
    _print_cause(morning, console)
    _print_table(console, TREND_HEAD, trend_rows(morning))
    if morning.nights.nights:
        console.print()
        console.print(Text(tally(morning.nights.nights)))
    _print_runs(morning, console, folder)
    console.print()
    console.print(Text(f"Caution: {cautions.in_short(morning.bench)}", style="yellow"))
    _print_whole(console, origin(morning))


def _print_runs(morning: Morning, console: Console, folder: Path) -> None:
    """The runs, what happened in them, and where the raw data are."""
    rows = [
        (*row, run.summary.id) for row, run in zip(run_rows(morning), morning.runs, strict=True)
    ]
    _print_table(console, (*RUNS_HEAD, "All of it"), rows)
    links = [link for run in morning.runs for link in morning.links.get(run.summary.id, ())]
    for link in links:
        kind = "Report" if link.endswith(".html") else "Data"
        _print_whole(console, f"{kind}: {os.path.normpath(folder.absolute() / link)}")
    for line in events(morning):
        _print_whole(console, line)


def _print_whole(console: Console, line: str) -> None:
    """Without folding, so that a path or a hash can be copied."""
    console.print(Text(line, style="dim"), soft_wrap=True)


def _print_cause(morning: Morning, console: Console) -> None:
    cause = morning.cause
    if cause is None:
        return
    sure = f" (confidence {words.confidence(cause.confidence)})" if cause.confidence > 0.0 else ""
    console.print()
    console.print(Text(f"Probable cause: {cause.name.value}{sure}"))
    if len(cause.possible) > 1:
        names = ", ".join(name.value for name in cause.possible)
        console.print(Text(f"  This bench cannot tell apart: {names}."))
    for piece in cause.evidence:
        console.print(Text(f"  {words.sentence(piece)}"))


def _print_table(console: Console, head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    if not rows:
        return
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0), header_style="dim")
    for column, name in enumerate(head):
        table.add_column(name, justify="left" if column == 0 or name in _WORDS else "right")
    for row in rows:
        table.add_row(*map(Text, row))
    console.print()
    console.print(table)
