"""``--dry-run``: what a command would do to the bench, and what might come of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.table import Table

from autocell.bench.plan import PlannedMove
from autocell.cli import output
from autocell.cli.invocation import Invocation
from autocell.cli.session import looking
from autocell.description import BenchDescription, Caps
from autocell.patterns import Pattern
from autocell.procedures.outlook import SECONDS_PER_READING, Outlook, look_ahead
from autocell.report import words


def show_change(
    invocation: Invocation,
    description: BenchDescription,
    pattern: Pattern,
    seed: int,
    as_json: bool,
) -> int:
    """The way to a pattern: opens the bench to read where it stands, and moves nothing."""
    with looking(description, "change --dry-run", invocation) as bench:
        start, moves = bench.setting, bench.plan(pattern.setting)
    outlook = look_ahead(description, pattern, start, seed=seed)
    if as_json:
        output.print_json({"dry_run": True, "moves": moves_as_json(moves)} | outlook.as_json())
        return 0
    console = output.out()
    output.say(console, f"Nothing is moved. To the nominal place of {pattern.passes} passes:")
    print_moves(moves, console)
    console.print()
    console.print(_risk(outlook, pattern))
    return 0


def moves_as_json(moves: Sequence[PlannedMove]) -> list[dict[str, Any]]:
    """Moves in SI units: m or rad."""
    return [
        {
            "axis": move.axis.name,
            "unit": move.axis.si_unit,
            "from": move.start,
            "to": move.target,
            "legs": list(move.legs),
            "limits": [move.axis.low, move.axis.high],
            "expected_s": move.expected_s,
        }
        for move in moves
    ]


def print_moves(moves: Sequence[PlannedMove], console: Console) -> None:
    """Axis, way, limits and time of each move; those of one step run at the same time."""
    if not moves:
        console.print("Every axis is there already.")
        return
    table = output.table(header=True)
    table.add_column("Axis")
    for head in ("From", "To", "By way of", "Limits", "Unit", "Time / s"):
        table.add_column(head, justify="right", no_wrap=True)
    for move in moves:
        axis = move.axis
        by_way = ", ".join(f"{leg * 1e3:.4f}" for leg in move.legs[:-1])
        table.add_row(
            axis.name,
            f"{move.start * 1e3:.4f}",
            f"{move.target * 1e3:.4f}",
            by_way or "straight",
            f"{axis.low * 1e3:g} to {axis.high * 1e3:g}",
            axis.unit,
            f"{move.expected_s:.1f}",
        )
    console.print(table)


def _risk(outlook: Outlook, pattern: Pattern) -> Table:
    """What the prior belief says of the whole change."""
    table = output.table(gap=3)
    table.add_column(style="dim", no_wrap=True)
    table.add_column()
    low, high = outlook.spacing_range_m
    table.add_row(
        "Going there and no further",
        f"lands on {pattern.passes} passes with probability {outlook.lands_there:.2f}: so much do "
        "the tolerances of the bench file leave open",
    )
    table.add_row(
        "Where readings may be taken",
        f"spacings from {low * 1e3:.2f} to {high * 1e3:.2f} mm, and where the bench stands",
    )
    table.add_row(
        "Readings",
        f"{_range(outlook.readings, '{:.0f}')}, and a few where a rival has to be ruled out",
    )
    table.add_row("Travel of the stage", _range(outlook.travel_m, "{:.0f} mm", 1e3))
    table.add_row("Time", _range(outlook.time_s, "{:.0f} s"))
    table.add_row("Caps of the bench file", _caps(outlook.caps))
    return table


def print_use(moves: Sequence[PlannedMove], readings: int, caps: Caps, console: Console) -> None:
    """What these moves and readings take of what one run may use."""
    travel_m = sum(move.travel for move in moves if move.axis.unit == "mm")
    commands = sum(len(move.legs) for move in moves)
    time_s = sum(move.expected_s for move in moves) + SECONDS_PER_READING * readings
    table = output.table(gap=3)
    table.add_column(style="dim", no_wrap=True)
    table.add_column()
    table.add_row(
        "In all",
        f"{commands} moves, {readings} readings, {travel_m * 1e3:.0f} mm of travel, about "
        f"{words.duration(time_s)}",
    )
    table.add_row("Caps of the bench file", _caps(caps))
    console.print(table)


def _caps(caps: Caps) -> str:
    return (
        f"{caps.moves} moves, {caps.readings} readings, {caps.travel_m * 1e3:g} mm of travel, "
        f"{words.duration(caps.time_s)}; at a cap it goes back to the start and holds"
    )


def _range(values: tuple[float, float], form: str, scale: float = 1.0) -> str:
    typical, most = (form.format(value * scale) for value in values)
    return f"typically {typical}, in one of twenty more than {most}"
