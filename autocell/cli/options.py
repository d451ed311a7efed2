"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from autocell.cli.invocation import Invocation

F = TypeVar("F", bound=Callable[..., Any])


def bench_path(text: str) -> Path:
    """A bench file by its path, or by its name among those that come with autocell.

    Raises UsageError for a name that is neither.
    """
    path = Path(text)
    if path.exists() or path.suffix or len(path.parts) > 1:
        return path
    from autocell.bench.file import shipped

    return shipped(text)


def refuse_unwritable(path: Path | None, option: str) -> None:
    """Raises UsageError for a file that could not be written at the end; it is made empty now."""
    if path is None:
        return
    from autocell.errors import UsageError

    try:
        path.open("a", encoding="utf-8").close()
    except OSError as error:
        raise UsageError(f"{option} {path}: cannot be written: {error.strerror}") from error


def _to_bench(ctx: click.Context, _parameter: click.Parameter, value: str | None) -> Path | None:
    return None if value is None or ctx.resilient_parsing else bench_path(value)


def bench_option(*, required: bool = True) -> Callable[[F], F]:
    """``--bench FILE``, as a path."""
    return click.option(
        "--bench",
        metavar="FILE",
        required=required,
        envvar="AUTOCELL_BENCH",
        show_envvar=True,
        callback=_to_bench,
        help="The bench file, or the name of one that comes along (peat-bog).",
    )


def _remember_store(ctx: click.Context, _parameter: click.Parameter, value: Path | None) -> Any:
    ctx.ensure_object(Invocation).store = value
    return value


def store_option(command: F) -> F:
    """``--store FILE``."""
    return click.option(
        "--store",
        metavar="FILE",
        type=click.Path(dir_okay=False, path_type=Path),
        envvar="AUTOCELL_STORE",
        show_envvar=True,
        callback=_remember_store,
        help="The run store; by default one in your data folder.",
    )(command)


def json_option(command: F) -> F:
    """``--json`` for commands that print something of their own."""
    return click.option(
        "--json", "as_json", is_flag=True, help="Print JSON on standard output, nothing else."
    )(command)


def _remember_json(ctx: click.Context, _parameter: click.Parameter, value: bool) -> bool:
    ctx.ensure_object(Invocation).wants_outcome = value
    return value


def outcome_json_option(command: F) -> F:
    """``--json`` for commands that end with a verdict: also their errors are JSON then."""
    return click.option(
        "--json",
        "as_json",
        is_flag=True,
        is_eager=True,
        callback=_remember_json,
        help="Print exactly one JSON object on standard output; progress goes to standard error.",
    )(command)


def report_option(command: F) -> F:
    """``--report FILE``."""
    return click.option(
        "--report",
        metavar="FILE",
        type=click.Path(dir_okay=False, path_type=Path),
        help="Where to write the report; by default beside the run store.",
    )(command)


def seed_option(command: F) -> F:
    """``--seed S`` of the belief."""
    return click.option(
        "--seed",
        type=click.IntRange(min=0),
        default=0,
        show_default=True,
        help="Random numbers of the belief, to repeat a run. It says nothing about the bench.",
    )(command)
