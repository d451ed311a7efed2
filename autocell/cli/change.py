"""``autocell change N``: the main job on a bench."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

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
    from autocell.description import BenchDescription
    from autocell.session.conduct import Ended


@click.command(short_help="Set the cell to N passes and prove it.")
@click.argument("passes", metavar="N", type=int)
@bench_option()
@click.option(
    "--dry-run", is_flag=True, help="Show the moves, limits, time and risk; move nothing."
)
@click.option(
    "--afresh",
    is_flag=True,
    help="Start from the bench file alone, not from what earlier proved runs left.",
)
@seed_option
@report_option
@store_option
@outcome_json_option
@click.pass_obj
def change(
    invocation: Invocation,
    passes: int,
    bench: Path,
    dry_run: bool,
    afresh: bool,
    seed: int,
    report: Path | None,
    store: Path | None,
    as_json: bool,
) -> int:
    """Set the cell to N passes and prove that it is there.

    Surveys, approaches, finds both edges of the plateau, settles between them and compiles the
    proof. Ends where it started when the proof fails. Ctrl-C stops every axis at once.
    """
    from autocell.bench.file import load
    from autocell.cli import dry_run as dry
    from autocell.patterns import choose_pattern

    description = load(bench)
    pattern = choose_pattern(description, passes)  # refused before any port is opened
    if dry_run:
        return dry.show_change(invocation, description, pattern, seed, as_json)
    from autocell.cli.results import print_finished
    from autocell.cli.session import print_cautions

    print_cautions(description)
    finished = run_change(invocation, description, passes, seed, report, afresh=afresh)
    print_finished(invocation, finished, as_json)
    return finished.outcome.verdict.exit_code


def run_change(
    invocation: Invocation,
    description: BenchDescription,
    passes: int,
    seed: int,
    report: Path | None,
    command: str = "change",
    afresh: bool = False,
) -> Ended:
    """The recorded run of a change, with its progress on standard error.

    It starts from what earlier proved runs of the same bench file have left, unless ``afresh``.
    """
    from autocell.cli import output
    from autocell.cli.progress import shown
    from autocell.cli.session import conduct
    from autocell.procedures.change import change_passes
    from autocell.session.conduct import Order
    from autocell.session.experience import last_experience

    arguments: dict[str, object] = {"passes": passes, "seed": seed}
    known = None if afresh else last_experience(invocation.store, description, passes=passes)
    experience, learned_by = known or (None, None)
    if experience is not None and learned_by is not None:
        arguments["learned_by"] = learned_by
        output.say(
            output.err(),
            f"Starting from what run {learned_by} learned of this bench."
            if experience.way is None
            else f"Going the way again that led run {learned_by} to {passes} passes.",
        )
    order = Order(command, description, arguments=arguments, report=report)
    with shown() as listener:
        return conduct(
            invocation,
            order,
            lambda bench: change_passes(
                bench, passes, listener=listener, seed=seed, experience=experience
            ),
        )
