"""``autocell history`` and ``autocell report``: what the run store keeps."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from autocell.cli.invocation import Invocation
from autocell.cli.options import bench_option, json_option, store_option

if TYPE_CHECKING:
    from autocell.records import RunRecord, RunSummary, Store


@click.command(short_help="The latest runs.")
@bench_option(required=False)
@click.option(
    "--limit", type=click.IntRange(min=1), default=20, show_default=True, help="At most so many."
)
@store_option
@json_option
@click.pass_obj
def history(
    invocation: Invocation, bench: Path | None, limit: int, store: Path | None, as_json: bool
) -> int:
    """List the latest runs, newest first; with --bench only those of that very bench file."""
    from autocell.cli import output
    from autocell.records import Store
    from autocell.report import print_history

    description = None
    if bench is not None:
        from autocell.bench.file import load

        description = load(bench)
    with Store.open(invocation.store) as opened:
        runs = opened.runs(None if description is None else description.sha256, limit)
        others = 0 if description is None else opened.with_other_files(description)
    if as_json:
        output.print_json([summary_as_json(run) for run in runs])
        return 0
    print_history(runs, output.out())
    if others:
        output.say(output.err(), others_in_words(others), "dim")
    return 0


@click.command(short_help="Write the report of a run.")
@click.argument("run", metavar="RUN")
@click.option(
    "--output",
    "output_path",
    metavar="FILE",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where to write it; by default beside the run store.",
)
@click.option("--open", "open_it", is_flag=True, help="Open it in the browser.")
@store_option
@click.pass_obj
def report(
    invocation: Invocation,
    run: str,
    output_path: Path | None,
    open_it: bool,
    store: Path | None,
) -> int:
    """Write the report of a run, a page that needs no network; RUN is its id, or last."""
    from autocell.cli import output
    from autocell.errors import UsageError
    from autocell.records import Store
    from autocell.session.reports import description_of, report_path, write_report

    with Store.open(invocation.store) as opened:
        record = run_called(opened, run)
        path = output_path or report_path(opened, record.summary.id)
    try:
        write_report(record, description_of(record), path)
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror}") from error
    output.say(output.out(), str(path.absolute()))
    if open_it:
        import webbrowser

        webbrowser.open(path.absolute().as_uri())
    return 0


def others_in_words(others: int) -> str:
    """What is said of runs of the same name that are left out."""
    from autocell.report.words import count

    return f"Left out: {count(others, 'run')} under this name, made with another bench file."


def run_called(store: Store, name: str) -> RunRecord:
    """The run with this id, or the latest for ``last``. Raises UsageError when there is none."""
    from autocell.errors import UsageError

    if name != "last":
        return store.run(name)
    runs = store.runs(limit=1)
    if not runs:
        raise UsageError(f"no run in {store.path} yet")
    return store.run(runs[0].id)


def summary_as_json(run: RunSummary) -> dict[str, Any]:
    """One line of the history."""
    return {
        "run": run.id,
        "command": run.command,
        "bench": run.bench_name,
        "started_utc": run.started_utc.isoformat(),
        "finished_utc": None if run.finished_utc is None else run.finished_utc.isoformat(),
        "verdict": None if run.verdict is None else run.verdict.value,
        "wanted_passes": run.wanted_passes,
        "passes": run.passes,
        "proved": run.proved,
    }
