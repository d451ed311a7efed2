"""``autocell recover``: back to the setting that was proved, with the least that restores it."""

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


@click.command(short_help="Compare with the last proved setting, and restore it.")
@click.option("--passes", metavar="N", type=int,
              help="The pattern to recover; by default the one that was proved last.")  # fmt: skip
@bench_option()
@seed_option
@report_option
@store_option
@outcome_json_option
@click.pass_obj
def recover(
    invocation: Invocation,
    passes: int | None,
    bench: Path,
    seed: int,
    report: Path | None,
    store: Path | None,
    as_json: bool,
) -> int:
    """Compare the bench with its reference setting, and do the least that restores it.

    The reference setting is where the pattern was proved last. When power and margin are within
    the limits of the bench file nothing moves. Otherwise it goes between the edges again, surveys,
    or sets the pattern anew from six passes, each step within caps of its own and undone unless it
    helps; and it says what the cause probably is. Ctrl-C stops every axis at once.
    """
    from autocell.bench.file import load
    from autocell.cli.results import print_finished
    from autocell.cli.session import print_cautions

    description = load(bench)
    print_cautions(description)
    finished = _run(invocation, description, passes, seed, report)
    print_finished(invocation, finished, as_json)
    return finished.outcome.verdict.exit_code


def _run(
    invocation: Invocation,
    description: BenchDescription,
    passes: int | None,
    seed: int,
    report: Path | None,
) -> Ended:
    """The recorded run, with its progress on standard error."""
    from autocell.cli.progress import shown
    from autocell.cli.session import conduct
    from autocell.procedures.recovery.recover import recover as procedure
    from autocell.session.conduct import Order
    from autocell.session.experience import reference_setting
    from autocell.session.safe import safe_first

    with safe_first(description):
        reference = reference_setting(invocation.store, description, passes)
    arguments = {"passes": reference.passes, "seed": seed, "reference": reference.run}
    order = Order("recover", description, arguments=arguments, report=report)
    with shown() as listener:
        return conduct(
            invocation,
            order,
            lambda bench: procedure(bench, reference, listener=listener, seed=seed),
        )
