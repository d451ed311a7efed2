"""``autocell patterns``: which settings a bench can reach, and how much margin each leaves."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from autocell.cli.options import bench_option, json_option

if TYPE_CHECKING:
    from autocell.patterns import Pattern

_SHAPES = ("circle", "ellipse", "line", "free")


@click.command(short_help="Which pass counts a bench can reach, and their margins.")
@bench_option()
@click.option("--passes", metavar="N", type=int, help="Only patterns of N passes.")
@click.option(
    "--path",
    "path_m",
    metavar="METRES",
    type=click.FloatRange(min=0.0, min_open=True),
    help="Those whose path length is closest first.",
)
@click.option(
    "--shape",
    type=click.Choice(_SHAPES),
    default="circle",
    show_default=True,
    help="What the spots lie on; free takes the shape that leaves the largest margin.",
)
@click.option(
    "--details",
    is_flag=True,
    help="With --passes: the best one looked at closely, errors, path, leaks; with --json also "
    "every spot on the mirrors.",
)
@click.option("--all", "show_all", is_flag=True, help="Also what is rejected, and why.")
@click.option(
    "--max-passes",
    type=click.IntRange(min=4, max=1000),
    default=100,
    show_default=True,
    help="List no pattern with more passes.",
)
@json_option
def patterns(
    bench: Path,
    passes: int | None,
    path_m: float | None,
    shape: str,
    details: bool,
    show_all: bool,
    max_passes: int,
    as_json: bool,
) -> int:
    """List the patterns that the bench of a bench file can reach, those with most margin first.

    Throughput is the share of the light at the entrance hole that makes for the detector, before
    the loss in the window. Clearance is the distance from the edge of the hole to the centre of
    the nearest other spot, in beam radii. The plateau is the range of spacings over which the pass
    count stays. The margin says how many times its overnight drift the axis with least room has to
    the end of it.
    """
    if path_m is not None and not math.isfinite(path_m):
        raise click.UsageError(f"--path {path_m} is no length")
    if passes is not None and path_m is not None:
        raise click.UsageError("ask for --passes or for --path, not for both")
    if details and passes is None:
        raise click.UsageError("--details is of one pattern; say which with --passes")
    from autocell.bench.file import load
    from autocell.cli import output
    from autocell.cli.pattern_details import print_details
    from autocell.patterns import SHAPES, choose_pattern, closest_to_path, list_patterns
    from autocell.patterns import details as details_of

    description = load(bench)
    wanted = next((known for known in SHAPES if known == shape), None)
    found = list_patterns(description, max_passes=max_passes, shape=wanted, passes=passes)
    if passes is not None and not (found and (show_all or not found[0].rejected)):
        choose_pattern(description, passes, shape=wanted)  # says why not, and what comes nearest
    if path_m is not None:
        found = closest_to_path(found, path_m)
    if not show_all:
        found = [pattern for pattern in found if not pattern.rejected]
    if as_json:
        listed = [pattern.as_json() for pattern in found]
        if details and found:
            listed[0].update(details_of(description, found[0]).as_json())
        output.print_json(listed)
        return 0
    _print_table(found, show_all)
    if details and found:
        print_details(description, found[0], details_of(description, found[0]))
    return 0


def _print_table(found: list[Pattern], show_all: bool) -> None:
    from rich.text import Text

    from autocell.cli import output

    console = output.out()
    if not found:
        hint = "none is near the reach of the stage" if show_all else "--all tells why"
        output.say(output.err(), f"No pattern fits: {hint}.")
        return
    table = output.table(header=True)
    for head in (
        "Passes", "Orbits", "Shape\nb/a", "Spacing\nmm", "Path\nm", "Throughput",
        "Clearance\nbeam radii", "Plateau\nmm", "Margin\ndrifts", "Slope x\nmrad",
        "Slope y\nmrad",
    ):  # fmt: skip
        table.add_column(head, justify="right", no_wrap=True)
    for pattern in found:
        setting = pattern.setting
        style = "dim" if pattern.rejected else ""
        table.add_row(
            str(pattern.passes),
            str(pattern.orbits),
            pattern.shape if pattern.shape != "ellipse" else f"{pattern.axis_ratio:.2f}",
            f"{setting.spacing_m * 1e3:.3f}",
            f"{pattern.path_length_m:.3f}",
            f"{pattern.throughput:.3f}",
            f"{pattern.clearance_beam_radii:.1f}",
            f"{pattern.plateau_width_m * 1e3:.3f}",
            f"{pattern.margin_drifts:.0f}",
            f"{setting.slope_x * 1e3:.2f}",
            f"{setting.slope_y * 1e3:.2f}",
            style=style,
        )
    console.print(table)
    rejected = [pattern for pattern in found if pattern.rejected]
    if show_all and rejected:
        console.print()
        console.print("Rejected, because", style="dim")
        reasons = output.table()
        reasons.add_column(justify="right", no_wrap=True)
        reasons.add_column()
        for pattern in rejected:
            label = f"{pattern.passes} passes, {pattern.orbits} orbits"
            reasons.add_row(label, Text("; ".join(pattern.rejected)))
        console.print(reasons)
