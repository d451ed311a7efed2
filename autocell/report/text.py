"""The same outcome as short tables for the terminal."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console
from rich.table import Table
from rich.text import Text

from autocell.outcome import Outcome, Proof, Verdict
from autocell.records import RunSummary
from autocell.report import recovery_words, words

_STYLES = {0: "green", 3: "yellow", 4: "yellow", 5: "red"}


def print_outcome(outcome: Outcome, console: Console) -> None:
    """Verdict, what came of it, and the evidence for the pass count."""
    console.print()
    console.print(_styled(words.headline(outcome), outcome.verdict, bold=True))
    console.print(Text(outcome.reason))
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 3, 0, 0))
    table.add_column(style="dim")
    table.add_column()
    for label, value in words.summary_rows(outcome):
        table.add_row(label, Text(value))
    if outcome.recovery is not None:
        for label, value in recovery_words.rows(outcome.recovery):
            table.add_row(label, Text(value))
    console.print()
    console.print(table)
    if outcome.proof is not None and outcome.proof.evidence:
        console.print()
        console.print(_evidence(outcome.proof))
    if outcome.run is not None:
        console.print()
        console.print(Text(f"Run {outcome.run}", style="dim"))


def print_history(runs: Iterable[RunSummary], console: Console) -> None:
    """One line a run, in the order given."""
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0), header_style="dim")
    table.add_column("Run, by UTC", no_wrap=True)
    table.add_column("Command", no_wrap=True)
    table.add_column("Wanted", justify="right", no_wrap=True)
    table.add_column("Passes", justify="right", no_wrap=True)
    table.add_column("Verdict", no_wrap=True)
    table.add_column("Bench")
    for run in runs:
        passes = "" if run.passes is None else str(run.passes)
        table.add_row(
            run.id,
            Text(run.command),
            "" if run.wanted_passes is None else str(run.wanted_passes),
            passes if run.proved or not passes else f"{passes}?",
            Text("not finished", style="yellow")
            if run.verdict is None
            else _styled(run.verdict.value, run.verdict),
            Text(run.bench_name, no_wrap=True, overflow="ellipsis"),
        )
    if table.row_count:
        console.print(table)
    else:
        console.print("No runs yet.")


def _evidence(proof: Proof) -> Table:
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 3, 0, 0))
    for piece in proof.evidence:
        mark = Text("holds", style="green") if piece.holds else Text("fails", style="red")
        table.add_row(mark, Text(piece.statement))
    return table


def _styled(text: str, verdict: Verdict, *, bold: bool = False) -> Text:
    style = _STYLES[verdict.exit_code]
    return Text(text, style=f"bold {style}" if bold else style)
