"""``autocell drivers``: which kinds of instrument this installation can talk to."""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import asdict, dataclass
from importlib.metadata import EntryPoint

import click

from autocell.cli.options import json_option


@dataclass(frozen=True)
class Driver:
    """A driver as it is installed; ``problem`` says why it cannot be used, if so."""

    name: str
    package: str
    version: str
    module: str
    about: str
    problem: str | None


@click.command(short_help="List the drivers that are installed.")
@json_option
def drivers(as_json: bool) -> int:
    """List the drivers that are installed, with the packages they come from.

    A bench file names one of them for each device. Any package may bring more, by an entry point
    of the group autocell.drivers. Nothing is opened.
    """
    from importlib.metadata import entry_points

    from autocell.bench.opening import DRIVERS
    from autocell.cli import output

    points = sorted(entry_points(group=DRIVERS), key=lambda point: point.name)
    times = Counter(point.name for point in points)
    found = [_look_at(point, times[point.name] > 1) for point in points]
    if as_json:
        output.print_json({"drivers": [asdict(driver) for driver in found]})
    else:
        _print(found)
    return 5 if any(driver.problem for driver in found) else 0


def _look_at(point: EntryPoint, is_there_twice: bool) -> Driver:
    about, problem = "", None
    try:
        opens = point.load()
        paragraph = (sys.modules[point.module].__doc__ or "").strip().partition("\n\n")[0]
        about = " ".join(paragraph.split())
        if not callable(opens):
            problem = f"{point.value} is nothing that can be called; tell the package's authors"
    # whatever a stranger's package does when it is imported, the others are still worth listing
    except Exception as error:
        problem = f"cannot be imported ({type(error).__name__}: {error}); install its package anew"
    if is_there_twice:
        problem = "installed by two packages under this name; uninstall one of them"
    package = point.dist
    return Driver(
        point.name,
        package.name if package else "unknown",
        package.version if package else "unknown",
        point.value,
        about,
        problem,
    )


def _print(found: list[Driver]) -> None:
    from rich.text import Text

    from autocell.cli import output

    table = output.table()
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for driver in found:
        table.add_row(
            Text(driver.name, style="bold"),
            f"{driver.package} {driver.version}",
            Text(driver.problem, style="bold red") if driver.problem else Text(driver.about),
        )
    output.out().print(table)
