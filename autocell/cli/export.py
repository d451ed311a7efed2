"""``autocell export``: a run for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from autocell.cli.invocation import Invocation
from autocell.cli.options import store_option

if TYPE_CHECKING:
    from autocell.export.tables import TableName


@click.command(short_help="Write a run as CSV, JSON or HDF5.")
@click.argument("run", metavar="RUN")
@click.option(
    "--to",
    metavar="FILE",
    required=True,
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where to write it; .csv, .json, .h5 or .hdf5 says how.",
)
@click.option(
    "--table",
    type=click.Choice(["readings", "moves", "events"]),
    default="readings",
    show_default=True,
    help="Which table a CSV file gets; the other formats hold all of them.",
)
@store_option
@click.pass_obj
def export(invocation: Invocation, run: str, to: Path, table: TableName, store: Path | None) -> int:
    """Write a run for other programs; RUN is its id, or last.

    Numbers are SI. JSON and HDF5 hold readings, moves, events, the outcome and the bench file;
    HDF5 needs the extra hdf5.
    """
    from autocell.cli import output
    from autocell.cli.history import run_called
    from autocell.errors import UsageError
    from autocell.export import write
    from autocell.records import Store

    with Store.open(invocation.store) as opened:
        record = run_called(opened, run)
    try:
        write(record, to, table, _units(record.bench_text))
    except OSError as error:
        raise UsageError(f"{to}: cannot be written: {error.strerror or error}") from error
    output.say(output.out(), str(to.absolute()))
    return 0


def _units(bench_text: str | None) -> dict[str, str]:
    """The SI unit of each axis of a bench file, as far as it tells."""
    from autocell.bench.yaml_tree import YamlTreeError, parse

    try:
        axes = parse(bench_text or "").values["axes"]
        return {name: "m" if "limits_mm" in axis else "rad" for name, axis in axes.items()}
    except (YamlTreeError, KeyError, TypeError, AttributeError):
        return {}
