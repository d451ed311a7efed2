"""``autocell stop`` and ``autocell accept``: what somebody says who stands at the bench.

``stop`` imports little, and reads the bench file only where it must: it should act at once.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from autocell.cli.invocation import Invocation
from autocell.cli.options import bench_option, outcome_json_option, report_option, store_option

if TYPE_CHECKING:
    from autocell.session.claim import Owner

T = TypeVar("T")


@click.command(short_help="Stop every axis now, from any terminal.")
@bench_option(required=False)
def stop(bench: Path | None) -> int:
    """Stop whatever autocell does on this machine, at once; with --bench, on that bench only.

    The run that is stopped ends as held, and says who stopped it; a programme ends, also one that
    waits. A bench that nobody uses is opened, and its axes are told to stop. This is not an
    emergency stop: it needs a computer, a cable and a controller that listens.
    """
    from autocell.session.claim import claimed_names

    names = claimed_names()
    if bench is not None:
        return _stop_bench(names, bench)
    if not names:
        print("No run is under way on this machine. With --bench, the axes of a bench are told.")
        return 0
    return max(_at_once(names, _stop_owner).values())


def _stop_bench(names: list[str], bench: Path) -> int:
    """Stop those that have this bench: by its file, or else by the addresses in it, which also
    tell whether one has it that does not even say who it is."""
    owners: dict[str, Owner | None] = {}
    came = _at_once(names, partial(_stop_if_of, str(bench.absolute()), owners))
    codes = [code for code in came.values() if code is not None]
    if not codes or None in owners.values():
        rest = [name for name, code in came.items() if code is None]
        codes += _at_once(_at_addresses_of(rest, bench), _stop_owner).values()
    return max(codes) if codes else _stop_unused(bench)


def _stop_if_of(path: str, owners: dict[str, Owner | None], name: str) -> int | None:
    """Stop an owner if it says that it has the bench of this file; who it is goes to ``owners``."""
    from autocell.session.claim import owner_of

    owner = owners[name] = owner_of(name)
    return _stop_owner(name) if owner is not None and owner.bench_path == path else None


def _at_addresses_of(names: list[str], bench: Path) -> list[str]:
    """Those that stand for controllers of this bench."""
    if not names:
        return []
    from autocell.bench.file import load
    from autocell.session.claim import PROGRAMME, claim_names

    loaded = load(bench)
    wanted = claim_names(loaded) + claim_names(loaded, PROGRAMME)
    return [name for name in names if name in wanted]


def _at_once(names: list[str], ask: Callable[[str], T]) -> dict[str, T]:
    """What came of asking each: one thread for each process, so that none that hangs keeps the
    others waiting. Of one process the bench is asked before the programme, in whose name the stop
    would be told otherwise."""
    from autocell.session.claim import listening_process

    of_process: dict[str, list[str]] = {}
    for name in names:
        process = listening_process(name)
        of_process.setdefault(process if process.isdigit() else name, []).append(name)
    came: dict[str, T] = {}

    def ask_in_turn(names: list[str]) -> None:
        for name in names:
            came[name] = ask(name)

    threads = [
        threading.Thread(target=ask_in_turn, args=(names,), daemon=True)
        for names in of_process.values()
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return came


def _say(line: str) -> None:
    """Print in one piece, since several threads do."""
    print(f"{line}\n", end="", flush=True)


def _stop_owner(name: str) -> int:
    from autocell.session.claim import PROGRAMME, ask_to_stop, listening_process

    try:
        came = ask_to_stop(name)
    except (OSError, ValueError, KeyError, TypeError):
        who = f"Process {listening_process(name)}"
        _say(f"{who} does not answer; end it, then say 'autocell stop --bench FILE'")
        return 5
    if came.unconfirmed:
        silent = "; ".join(f"{axis}: {error}" for axis, error in came.unconfirmed.items())
        _say(f"Told {came.owner} to stop, but not every axis confirmed it: {silent}")
        return 5
    if not came.told:
        _say(f"{came.owner} moves nothing; no axis was told to stop.")
    elif name.startswith(PROGRAMME):
        _say(f"Stopped {came.owner}: it ends.")
    else:
        _say(f"Stopped {came.owner}: every axis was told to stop.")
    return 0


def _stop_unused(bench: Path) -> int:
    from autocell.bench.file import load
    from autocell.session.safe import stop_everything

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
    from autocell.cli.session import conduct
    from autocell.session.aftermath import positions_accepted
    from autocell.session.conduct import Order

    order = Order("accept", load(bench), report=report)
    finished = conduct(invocation, order, positions_accepted)
    print_finished(invocation, finished, as_json)
    return finished.outcome.verdict.exit_code
