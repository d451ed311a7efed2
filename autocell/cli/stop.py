"""``autocell stop`` and ``autocell accept``: what somebody says who stands at the bench.

``stop`` imports little, and reads the bench file only where it must: it should act at once.
"""

from __future__ import annotations

from pathlib import Path

import click

from autocell.cli.invocation import Invocation
from autocell.cli.options import bench_option, outcome_json_option, report_option, store_option


@click.command(short_help="Stop every axis now, from any terminal.")
@bench_option(required=False)
def stop(bench: Path | None) -> int:
    """Stop whatever autocell does on this machine, at once; with --bench, on that bench only.

    The run that is stopped ends as held, and says who stopped it; a programme ends, also one that
    waits. A bench that nobody uses is
    opened, and its axes are told to stop. This is not an emergency stop: it needs a computer, a
    cable and a controller that listens.
    """
    from autocell.session.claim import claimed_names

    names = claimed_names()
    if bench is not None:
        names = _of_bench(names, bench)
        if not names:
            return _stop_unused(bench)
    if not names:
        print("No run is under way on this machine. With --bench, the axes of a bench are told.")
        return 0
    return max(_stop_owner(name) for name in names)


def _of_bench(names: list[str], bench: Path) -> list[str]:
    """Those that have this bench: by its file, or else by the addresses in it."""
    from autocell.session.claim import PROGRAMME, claim_names, owner_of

    path = str(bench.absolute())
    owners = {name: owner_of(name) for name in names}
    same = [name for name, owner in owners.items() if owner and owner.bench_path == path]
    if same or not names:
        return same
    from autocell.bench.file import load

    loaded = load(bench)
    wanted = claim_names(loaded) + claim_names(loaded, PROGRAMME)
    return [name for name in names if name in wanted]


def _stop_owner(name: str) -> int:
    from autocell.session.claim import ask_to_stop, listening_process

    try:
        came = ask_to_stop(name)
    except (OSError, ValueError, KeyError, TypeError):
        who = f"Process {listening_process(name)}"
        print(f"{who} does not answer; end it, then say 'autocell stop --bench FILE'")
        return 5
    if came.unconfirmed:
        silent = "; ".join(f"{axis}: {error}" for axis, error in came.unconfirmed.items())
        print(f"Told {came.owner} to stop, but not every axis confirmed it: {silent}")
        return 5
    print(f"Stopped {came.owner}: every axis is still." if came.told else f"Still: {came.owner}.")
    return 0


def _stop_unused(bench: Path) -> int:
    from autocell.bench.file import load
    from autocell.session.conduct import stop_everything

    failures = stop_everything(load(bench))
    if failures:
        silent = "; ".join(f"{axis}: {error}" for axis, error in failures.items())
        print(f"Nobody uses this bench; not every axis confirmed its stop: {silent}")
        return 5
    print("Nobody uses this bench; every axis was told to stop.")
    return 0


@click.command(short_help="Say that the axes are where they read.")
@bench_option()
@report_option
@store_option
@outcome_json_option
@click.pass_obj
def accept(
    invocation: Invocation, bench: Path, report: Path | None, store: Path | None, as_json: bool
) -> int:
    """Say that you have looked at the bench, and that its axes are where they read.

    After a run that broke off, autocell holds a bench whose positions it cannot believe. Home
    what has lost its position, look, and say so with this. Nothing is moved.
    """
    from autocell.bench.file import load
    from autocell.cli.results import print_finished
    from autocell.cli.session import Order, conduct
    from autocell.session.aftermath import positions_accepted

    order = Order("accept", load(bench), invocation, report=report)
    finished = conduct(order, positions_accepted)
    print_finished(invocation, finished, as_json)
    return finished.outcome.verdict.exit_code
