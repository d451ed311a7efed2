"""One pattern looked at closely, in tables for people; units of the trade."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.table import Table

from autocell.cli import output

if TYPE_CHECKING:
    from autocell.description import BenchDescription
    from autocell.optics.path_length import PathLengthBudget
    from autocell.optics.spots import Leak
    from autocell.patterns import Details, Pattern


def print_details(bench: BenchDescription, pattern: Pattern, found: Details) -> None:
    """What small errors do, how long the path is, what leaves early, which N would be best."""
    _print_exit(pattern, found)
    _print_ends(pattern, found)
    _print_path(found.path)
    _print_leaks(bench, found.leaks)
    _title("Mode of the cell, which keeps its size from pass to pass")
    beam = bench.input_beam
    put_in = _waist(beam.waist_m, beam.waist_distance_m)
    across_m = beam.waist_m if beam.waist_y_m is None else beam.waist_y_m
    ahead_m = beam.waist_distance_m if beam.waist_distance_y_m is None else beam.waist_distance_y_m
    if (across_m, ahead_m) != (beam.waist_m, beam.waist_distance_m):
        put_in += f" along its x, and {_waist(across_m, ahead_m)} along its y"
    output.say(
        output.out(),
        f"Waist {_waist(found.mode_waist_m, found.mode_waist_distance_m)}; the input beam has "
        f"{put_in}",
    )
    _title("Best pass count for a weak absorption line with this reflectivity")
    output.say(
        output.out(),
        f"{found.best_passes_detector:.0f} where the detector's noise limits, "
        f"{found.best_passes_shot:.0f} where shot noise does",
    )


def _waist(waist_m: float, distance_m: float) -> str:
    return f"{1e3 * waist_m:.3f} mm, {1e3 * distance_m:.1f} mm behind the hole"


def _print_exit(pattern: Pattern, found: Details) -> None:
    _title(f"{pattern.passes} passes: for a change of 1 mm or 1 mrad")
    table = _table(
        "Change of", "Exit x\nmm", "Exit y\nmm", "Exit slope x\nmrad", "Exit slope y\nmrad",
        "Path\nmm", "Plateau left\nbelow, mm", "and above\nmm",
    )  # fmt: skip
    for row in found.sensitivities:
        rates = (
            row.exit_x, row.exit_y, row.exit_slope_x, row.exit_slope_y, row.path_length_m,
            row.low_margin_m, row.high_margin_m,
        )  # fmt: skip
        table.add_row(_spoken(row.parameter)[0], *(f"{value:.3f}" for value in rates))
    output.out().print(table)


def _print_ends(pattern: Pattern, found: Details) -> None:
    _title(f"What ends the plateau of {pattern.passes} passes")
    table = _table("Change of", "Down", "Up", "Then light is lost\nor makes passes")
    for row in found.sensitivities:
        name, unit = _spoken(row.parameter)
        table.add_row(
            name,
            *(_end(value, unit) for value in (row.low, row.high)),
            ", ".join(
                "lost" if count in (0, pattern.passes) else str(count)
                for count, end in ((row.low_passes, row.low), (row.high_passes, row.high))
                if math.isfinite(end)
            ),
        )
    output.out().print(table)


def _print_path(path: PathLengthBudget) -> None:
    expanded = 1e3 * path.expanded_uncertainty_m()
    _title(
        f"Path {path.path_length_m:.4f} m ± {expanded:.1f} mm (k = 2) given {path.passes} passes, "
        "from the tolerances of the bench file"
    )
    table = _table("From", "Standard\nuncertainty", "Path per\nmm or mrad, mm", "In the path\nmm")
    for row in sorted(path.rows, key=lambda row: -row.contribution_m):
        name, unit = _spoken(row.quantity)
        table.add_row(
            name,
            f"{1e3 * row.standard_uncertainty:.4f} {unit}",
            f"{row.sensitivity:.3f}",
            f"{1e3 * row.contribution_m:.4f}",
        )
    output.out().print(table)


def _print_leaks(bench: BenchDescription, leaks: tuple[Leak, ...]) -> None:
    """Every part of the light that leaves, and its fringe with that of the pattern."""
    _title("Light that leaves")
    table = _table(
        "Through", "after passes", "Share of\ninput", "x\nmm", "y\nmm", "Slope x\nmrad",
        "Slope y\nmrad", "Radii\nmm", "Fringe period\nMHz",
    )  # fmt: skip
    for leak in leaks:
        period = leak.fringe_period_hz
        table.add_row(
            bench.hole_names[leak.hole],
            str(leak.pass_number),
            f"{leak.power:.6f}",
            f"{1e3 * leak.x_m:.3f}",
            f"{1e3 * leak.y_m:.3f}",
            f"{1e3 * leak.slope_x:.2f}",
            f"{1e3 * leak.slope_y:.2f}",
            f"{1e3 * leak.radius_large_m:.3f}, {1e3 * leak.radius_small_m:.3f}",
            f"{1e-6 * period:.2f}" if math.isfinite(period) else "-",
        )
    output.out().print(table)


def _title(text: str) -> None:
    output.out().print()
    output.say(output.out(), text, style="dim")


def _table(first: str, *others: str) -> Table:
    table = output.table(header=True)
    table.add_column(first, no_wrap=True)
    for head in others:
        table.add_column(head, justify="right", no_wrap=True)
    return table


def _spoken(parameter: str) -> tuple[str, str]:
    """``far_tilt_x_rad`` is "far tilt x" and counts in mrad."""
    unit = "mm" if parameter.endswith("_m") else "mrad"
    return parameter.removesuffix("_m").removesuffix("_rad").replace("_", " "), unit


def _end(change: float, unit: str) -> str:
    return f"{1e3 * change:+.3f} {unit}" if math.isfinite(change) else "-"
