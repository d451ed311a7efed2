"""``autocell survey``: the staircase that the bench shows along its spacing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from autocell.cli.invocation import Invocation
from autocell.cli.options import (
    bench_option,
    outcome_json_option,
    report_option,
    seed_option,
    store_option,
)

if TYPE_CHECKING:
    from autocell.bench.bench import Bench
    from autocell.description import BenchDescription
    from autocell.outcome import Outcome
    from autocell.procedures.survey import Step, Survey


@click.command(short_help="Read the staircase along the spacing, and go back.")
@bench_option()
@click.option("--from", "from_mm", metavar="MM", type=float, help="Lowest spacing to read at.")
@click.option("--to", "to_mm", metavar="MM", type=float, help="Highest spacing to read at.")
@click.option("--points", metavar="K", type=int, default=25, show_default=True,
              help="Number of readings, evenly spaced.")  # fmt: skip
@click.option("--dry-run", is_flag=True, help="Show the moves, limits and time; move nothing.")
@seed_option
@report_option
@store_option
@outcome_json_option
@click.pass_obj
def survey(
    invocation: Invocation,
    bench: Path,
    from_mm: float | None,
    to_mm: float | None,
    points: int,
    dry_run: bool,
    seed: int,
    report: Path | None,
    store: Path | None,
    as_json: bool,
) -> int:
    """Read the power along the spacing, and go back to where the bench stood.

    The input beam stays as it is. Without --from and --to the survey covers all that the limits
    allow. Each step is told with the pass count that it most probably shows.
    """
    from autocell.bench.file import load
    from autocell.procedures.survey import survey_spacings

    description = load(bench)
    low, high = (None if end is None else end * 1e-3 for end in (from_mm, to_mm))
    spacings = survey_spacings(description, low, high, points)
    if dry_run:
        return _show(invocation, description, spacings, as_json)
    from autocell.cli.results import print_finished
    from autocell.cli.session import conduct, print_cautions
    from autocell.session.conduct import Order

    arguments = {"from_m": spacings[0], "to_m": spacings[-1], "points": points, "seed": seed}
    order = Order("survey", description, arguments=arguments, report=report)
    print_cautions(description)
    made: list[Survey] = []
    finished = conduct(invocation, order, _procedure(spacings, seed, made))
    steps = made[0].steps
    if not as_json:
        _print_steps(steps)
    print_finished(
        invocation, finished, as_json, {"steps": [_step_as_json(step) for step in steps]}
    )
    return finished.outcome.verdict.exit_code


def _procedure(spacings: list[float], seed: int, made: list[Survey]) -> Any:
    from autocell.cli.progress import shown
    from autocell.procedures.survey import survey as make

    def procedure(bench: Bench) -> Outcome:
        with shown() as listener:
            made.append(make(bench, spacings, listener=listener, seed=seed))
        return made[0].outcome

    return procedure


def _show(
    invocation: Invocation, description: BenchDescription, spacings: list[float], as_json: bool
) -> int:
    """The moves of a survey; opens the bench to read where it stands, and moves nothing."""
    from autocell.cli import dry_run, output
    from autocell.cli.session import looking
    from autocell.procedures.survey import plan_survey

    with looking(description, "survey --dry-run", invocation) as bench:
        moves = plan_survey(bench, spacings)
    if as_json:
        output.print_json({"dry_run": True, "moves": dry_run.moves_as_json(moves)})
        return 0
    console = output.out()
    output.say(console, f"Nothing is moved. A survey with {len(spacings)} readings:")
    dry_run.print_moves(moves, console)
    console.print()
    dry_run.print_use(moves, len(spacings) + 3, description.caps, console)
    return 0


def _print_steps(steps: tuple[Step, ...]) -> None:
    from autocell.cli import output

    table = output.table(header=True, gap=3)
    for head in ("Spacing / mm", "Power / mW", "u / mW", "Passes", "Probability"):
        table.add_column(head, justify="right", no_wrap=True)
    for step in steps:
        reading = step.reading
        table.add_row(
            f"{reading.setting.spacing_m * 1e3:.3f}",
            f"{reading.power_w * 1e3:.4f}",
            f"{reading.uncertainty_w * 1e3:.4f}",
            str(step.passes),
            "> 0.99" if step.probability > 0.99 else f"{step.probability:.2f}",
        )
    output.out().print(table)


def _step_as_json(step: Step) -> dict[str, Any]:
    reading = step.reading
    return {
        "spacing_m": reading.setting.spacing_m,
        "power_w": reading.power_w,
        "uncertainty_w": reading.uncertainty_w,
        "passes": step.passes,
        "probability": step.probability,
    }
