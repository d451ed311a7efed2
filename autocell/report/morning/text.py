"""The morning report in the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from autocell.report import cautions, words
from autocell.report.morning.advice import advice
from autocell.report.morning.morning import Morning
from autocell.report.morning.rows import (
    COMPARED_HEAD,
    MOVED_HEAD,
    TREND_HEAD,
    compared,
    moved,
    trend_rows,
)
from autocell.report.morning.verdict import explanation, headline, night_in_words, state, tally

_STYLES = {"success": "green", "partly": "yellow", "failure": "red"}


def print_morning(morning: Morning, console: Console) -> None:
    """What the page says, without its pictures."""
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
    for run in morning.runs:
        if run.outcome is not None and (run.outcome.retries or run.outcome.communication_errors):
            told = words.troubles_in_words(run.outcome)
            console.print(Text(f"Run {run.summary.id}: {told}", style="dim"))
    if morning.other_files:
        left_out = words.count(morning.other_files, "run")
        console.print(
            Text(f"Left out: {left_out} under this name, made with another bench file.", "dim")
        )
    console.print(Text(f"Caution: {cautions.in_short(morning.bench)}", style="yellow"))


def _print_cause(morning: Morning, console: Console) -> None:
    cause = morning.cause
    if cause is None:
        return
    sure = f" (confidence {cause.confidence:.2f})" if cause.confidence > 0.0 else ""
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
        table.add_column(name, justify="left" if column == 0 or name == "Runs out" else "right")
    for row in rows:
        table.add_row(*map(Text, row))
    console.print()
    console.print(table)
