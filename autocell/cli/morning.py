"""``autocell morning``: what came of the night, what to do, and what changes night by night."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from autocell.cli.invocation import Invocation
from autocell.cli.options import bench_option, json_option, store_option

if TYPE_CHECKING:
    from autocell.description import BenchDescription
    from autocell.records import Store


@click.command(short_help="What came of the night, and what to do.")
@bench_option()
@click.option(
    "--night",
    metavar="DAY",
    type=click.DateTime(["%Y-%m-%d"]),
    help="The day on which the night began, such as 2026-11-24; by default the last night.",
)
@click.option(
    "--nights",
    "most",
    type=click.IntRange(1, 90),
    default=30,
    show_default=True,
    help="How many nights to look back.",
)
@click.option(
    "--output",
    "output_path",
    metavar="FILE",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where to write the page; by default beside the run store.",
)
@click.option("--open", "open_it", is_flag=True, help="Open the page in the browser.")
@store_option
@json_option
@click.pass_obj
def morning(
    invocation: Invocation,
    bench: Path,
    night: datetime | None,
    most: int,
    output_path: Path | None,
    open_it: bool,
    store: Path | None,
    as_json: bool,
) -> int:
    """Tell how the night went: the verdict, before and after, what moved, the cause, what to do,
    and what changes from night to night. Opens no instrument.

    The same goes into a page that needs no network, with the runs of the night as JSON beside it.
    The exit code is that of the verdict; it is 5 also when a night was missed or a run hung.
    """
    from autocell.bench.file import load
    from autocell.cli import output
    from autocell.errors import UsageError
    from autocell.records import Store
    from autocell.report.morning.as_json import as_json as to_json
    from autocell.report.morning.text import print_morning
    from autocell.report.morning.verdict import exit_code
    from autocell.session.mornings import linked, local_zone, look_back, write_morning

    description = load(bench)
    with Store.open(invocation.store) as opened:
        found = look_back(
            opened,
            description,
            datetime.now(UTC),
            local_zone(),
            night=None if night is None else night.date(),
            most=most,
            under_way=_under_way(opened, description),
        )
    page, trouble = Path(), None
    try:
        page = write_morning(found, output_path, newest=night is None)
        found = linked(found, page)
    except OSError as error:
        trouble = error
    if as_json:
        output.print_json(to_json(found))
    else:
        print_morning(found, output.out(), page.parent)
    if trouble is not None:
        raise UsageError(f"{trouble.filename}: cannot be written: {trouble.strerror}") from trouble
    output.say(output.err(), f"Page: {page.absolute()}")
    if open_it:
        import webbrowser

        webbrowser.open(page.absolute().as_uri())
    return exit_code(found)


def _under_way(store: Store, description: BenchDescription) -> str | None:
    """The run that somebody's process is carrying out on this bench just now."""
    from autocell.session.claim import claim_names, claimed_names

    if not set(claim_names(description)) & set(claimed_names()):
        return None
    return next((run.id for run in store.unfinished(description.sha256)), None)
