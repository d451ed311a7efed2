"""``autocell check --motion``: what reversals of the axes lose, by a few short moves."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from autocell.bench.bench import Bench
from autocell.cli import dry_run, output
from autocell.cli.invocation import Invocation
from autocell.cli.progress import shown
from autocell.cli.results import print_finished
from autocell.cli.session import conduct, looking, print_cautions
from autocell.description import BenchDescription
from autocell.errors import Stopped, UsageError
from autocell.outcome import Outcome, Verdict
from autocell.procedures.positioning.axis_checked import AxisChecked
from autocell.procedures.positioning.check import MotionChecked, check_motion
from autocell.procedures.positioning.steps import SHARE, StepsLearned
from autocell.procedures.positioning.traverse import (
    Traverse,
    open_loop_axes,
    plan_traverses,
    traverse_moves,
)
from autocell.records import Store
from autocell.report import words
from autocell.session.axis_memory import hardware
from autocell.session.conduct import Order


@dataclass(frozen=True)
class Wish:
    """Which axes to check (none for all), how often, and whether to ask first."""

    axes: tuple[str, ...]
    cycles: int
    yes: bool
    dry_run: bool


def check_the_motion(
    invocation: Invocation, description: BenchDescription, wish: Wish, as_json: bool
) -> int:
    """Show the moves, ask, make them, and tell what they showed; the exit code."""
    if wish.dry_run:
        return _show(invocation, description, wish, as_json)
    if not wish.yes:
        _ask_first(invocation, description, wish)
    invocation.wants_outcome = as_json
    print_cautions(description)
    made: list[MotionChecked] = []
    arguments = {"motion": list(wish.axes) or list(description.axes), "cycles": wish.cycles}
    order = Order("check", description, arguments=arguments, page=False)
    finished = conduct(invocation, order, _procedure(wish, made))
    axes, steps = (made[0].axes, made[0].steps) if made else ((), ())
    keep_measured(invocation, description, finished.outcome, axes, steps)
    if as_json:
        more = {
            "motion": [_as_json(axis) for axis in axes],
            "steps": [_steps_as_json(learned) for learned in steps],
        }
        print_finished(invocation, finished, True, more)
    else:
        _print(axes, output.out())
        for learned in steps:
            output.out().print(Text(f"{learned.axis.name}: {learned.finding}."))
        _print_end(finished.outcome, output.out())
        invocation.told = True
    return finished.outcome.verdict.exit_code


def _procedure(wish: Wish, made: list[MotionChecked]) -> Callable[[Bench], Outcome]:
    def procedure(bench: Bench) -> Outcome:
        with shown() as listener:
            made.append(check_motion(bench, wish.axes, cycles=wish.cycles, listener=listener))
        return made[0].outcome

    return procedure


def keep_measured(
    invocation: Invocation,
    description: BenchDescription,
    outcome: Outcome,
    axes: Sequence[AxisChecked],
    steps: Sequence[StepsLearned],
) -> None:
    """Leave what was measured for guard and approaches of later runs."""
    if outcome.run is None or not (axes or steps):
        return
    with Store.open(invocation.store) as store:
        writer = store.writer(outcome.run)
        for checked in axes:
            name = checked.axis.name
            writer.axis_measured(
                name, hardware(description, name), checked.backlash, _figures(checked)
            )
        for learned in steps:
            name = learned.axis.name
            if learned.backward is not None and learned.holds:
                writer.steps_learned(
                    name,
                    hardware(description, name),
                    learned.backward,
                    learned.backward_u,
                    _steps_as_json(learned),
                )


def _ask_first(invocation: Invocation, description: BenchDescription, wish: Wish) -> None:
    """Raises UsageError where nobody can be asked, Stopped when the answer is no, and click.Abort
    when there is none."""
    if not sys.stdin.isatty():
        raise UsageError(
            "check --motion moves the axes and asks first, and nobody can be asked here; say --yes "
            "when the travel is free and somebody stands at the bench, or look with --dry-run"
        )
    console = output.err()
    _print_way(invocation, description, wish, console)
    output.say(
        console,
        "Axes will move. Keep the travel free and a hand at the hardware stop; local rules decide.",
        "yellow",
    )
    if not click.confirm("Move them?", err=True):
        raise Stopped("no axis was moved, as you wished")


def _show(invocation: Invocation, description: BenchDescription, wish: Wish, as_json: bool) -> int:
    if not as_json:
        _print_way(invocation, description, wish, output.out())
        return 0
    with looking(description, "check --motion --dry-run", invocation) as bench:
        moves = traverse_moves(bench, plan_traverses(bench, wish.axes, wish.cycles))
    output.print_json({"dry_run": True, "moves": dry_run.moves_as_json(moves)})
    return 0


def _print_way(
    invocation: Invocation, description: BenchDescription, wish: Wish, console: Console
) -> None:
    """What would be moved; opens the bench to read where it stands, and moves nothing."""
    with looking(description, "check --motion --dry-run", invocation) as bench:
        traverses = plan_traverses(bench, wish.axes, wish.cycles)
        moves = traverse_moves(bench, traverses)
        positions = bench.positions()
        counting = open_loop_axes(bench, wish.axes)
    output.say(console, "Nothing is moved yet. One axis after the other, from below and above:")
    if traverses:
        console.print(_traverses(traverses, positions))
    for name in counting:
        axis = description.axes[name]
        console.print(
            Text(
                f"{name} counts its steps: there and back around "
                f"{positions[name] * 1e3:.4f} {axis.unit} as the light leads it, each way up to "
                f"{SHARE * (axis.high - axis.low) * 1e3:.4f} {axis.unit}; not in the figures below."
            )
        )
    console.print()
    readings = sum(2 * len(traverse.targets) * traverse.cycles for traverse in traverses) + 2
    dry_run.print_use(moves, readings, description.caps, console)


def _traverses(traverses: Sequence[Traverse], positions: dict[str, float]) -> Table:
    table = _table("Axis", "Stands at", "Lowest", "Targets", "Highest", "Limits", "Unit", "Cycles")
    for traverse in traverses:
        axis = traverse.axis
        table.add_row(
            axis.name,
            f"{positions[axis.name] * 1e3:.4f}",
            f"{traverse.turn_low * 1e3:.4f}",
            f"{len(traverse.targets)}: {traverse.targets[0] * 1e3:.4f} "
            f"to {traverse.targets[-1] * 1e3:.4f}",
            f"{traverse.turn_high * 1e3:.4f}",
            f"{axis.low * 1e3:g} to {axis.high * 1e3:g}",
            axis.unit,
            str(traverse.cycles),
        )
    return table


def _print(axes: Sequence[AxisChecked], console: Console) -> None:
    """The figures of ISO 230-2 as the controller reads, the reversal by the light, and what both
    mean, axis by axis."""
    if not axes:
        return
    console.print(
        "As the controller reads, in the figures of ISO 230-2 over a short part of the travel: "
        "reversal B, its mean, repeatability R, mean deviation M, accuracy A. By the light: what a "
        "reversal loses, positive as backlash does, with its standard uncertainty u.",
        style="dim",
    )
    table = _table("Axis", "B", "mean B", "R", "M", "A", "By light", "u", "File", "Unit")
    for checked in axes:
        figures, light = checked.positioning, checked.light
        told = ("", "") if light is None or checked.lost is None else (light.lost, light.u)
        values = (
            figures.reversal,
            figures.mean_reversal,
            figures.repeatability,
            figures.mean_deviation,
            figures.accuracy,
            *told,
            checked.axis.backlash,
        )
        unit = {"mm": "µm", "mrad": "µrad"}[checked.axis.unit]
        table.add_row(checked.axis.name, *map(_micro, values), unit)
    console.print(table)
    for checked in axes:
        console.print(Text(f"{checked.axis.name}: {checked.finding}."))
        if checked.backlash > checked.axis.backlash:
            console.print(
                Text(
                    f"{checked.axis.name}: from now on approaches take out "
                    f"{_micro(checked.backlash)} instead of the {_micro(checked.axis.backlash)} "
                    "of the bench file.",
                    style="yellow",
                )
            )
    console.print()


def _print_end(outcome: Outcome, console: Console) -> None:
    style = "green" if outcome.verdict is Verdict.UNCHANGED else "red"
    console.print(Text(f"{outcome.verdict.capitalize()}: {outcome.reason}.", style=style))
    console.print(
        f"{words.count(outcome.moves, 'move')}, "
        f"{words.count(outcome.readings, 'reading')}, "
        f"{words.duration(outcome.elapsed_s)}; run {outcome.run}",
        style="dim",
    )


def _micro(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value * 1e6:.2f}"


def _table(*heads: str) -> Table:
    table = output.table(header=True)
    for head in heads:
        table.add_column(head, justify="left" if head == "Axis" else "right", no_wrap=True)
    return table


def _figures(checked: AxisChecked) -> dict[str, Any]:
    """All figures of one axis, m or rad; null where the light tells nothing."""
    light = None
    if checked.light is not None:
        told = asdict(checked.light)
        light = {name: value if _finite(value) else None for name, value in told.items()}
    return {
        "cycles": checked.cycles,
        "read_back": checked.positioning.as_dict(),
        "light": light,
        "lost": checked.lost,
        "compensated": checked.compensated,
        "backlash": checked.backlash,
        "backlash_in_file": checked.axis.backlash,
        "finding": checked.finding,
    }


def _steps_as_json(learned: StepsLearned) -> dict[str, Any]:
    """What the light told of the steps of one axis; null where it told nothing."""
    return {
        "axis": learned.axis.name,
        "backward": learned.backward,
        "backward_u": None if learned.backward is None else learned.backward_u,
        "kept": learned.holds,
        "loops": learned.loops,
        "back_by_light": learned.back.as_before,
        "finding": learned.finding,
    }


def _finite(value: float | bool | None) -> bool:
    return value is not None and abs(value) != float("inf")


def _as_json(checked: AxisChecked) -> dict[str, Any]:
    axis = checked.axis
    return {"axis": axis.name, "unit": axis.si_unit, **_figures(checked)}
