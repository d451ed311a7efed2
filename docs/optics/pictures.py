"""Draws the pictures of this page with the code that the page is about.

    python docs/optics/pictures.py [folder]

writes every picture into the folder, this one unless another is named.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Ellipse, Rectangle

from autocell.bench.file import load
from autocell.optics.cell import Cell, Hole, InputBeam, Mirror
from autocell.optics.gaussian import matched_mode
from autocell.optics.plateau import plateau_edges
from autocell.optics.reentrance import (
    CircularOrbit,
    circular_orbit,
    reentrant_circle,
    spacing_for_advance,
)
from autocell.optics.spots import SpotRow, spot_table
from autocell.optics.trace import exit_power, trace
from autocell.patterns import choose_pattern
from autocell.report.palette import LIGHT
from autocell.report.svg import WIDTH_IN, drawing_style

HERE = Path(__file__).parent
BENCH = HERE.parents[1] / "configs" / "peat-bog.yaml"
MM = 1e3


def spots() -> Figure:
    """26 passes on both mirrors, from no tangential slope (a line) to that of the circle."""
    radius_m, passes, orbits = 0.4, 26, 5
    orbit = reentrant_circle(passes, orbits, radius_m, radius_m, 0.015)
    paraxial_m = float(spacing_for_advance(orbit.advance_rad, radius_m, radius_m))
    figure = Figure(figsize=(WIDTH_IN, 6.4), layout="constrained")
    grid = figure.subplots(2, 3, sharex=True, sharey=True)
    for column, (shape, ratio) in enumerate((("line", 0.0), ("ellipse", 0.5), ("circle", 1.0))):
        cell, beam = _round_cell(
            orbit,
            radius_m,
            0.985,
            hole_radius_m=0.0015,
            aperture_radius_m=0.019,
            axis_ratio=ratio,
            wavelength_m=1654e-9,
        )
        cell = cell.at_spacing(paraxial_m + (orbit.spacing_m - paraxial_m) * 0.5 * (1.0 + ratio**2))
        table = spot_table(cell, trace(cell, beam, passes))
        for axes, mirror in zip(grid[:, column], ("entrance", "far"), strict=True):
            here = [row for row in table if row.mirror == mirror]
            _mirror_face(axes, cell, mirror, 20.0)
            _ellipses(axes, here, LIGHT[mirror])
            _numbers(axes, here)
            axes.set_title(f"{shape.capitalize()}, {mirror} mirror")
    for axes in grid[1]:
        axes.set_xlabel("x / mm")
    for axes in grid[:, 0]:
        axes.set_ylabel("y / mm")
    return figure


def staircase() -> Figure:
    """Power at the exit against spacing, with the pass count of each plateau."""
    radius_m, reflectivity = 0.4, 0.985
    launch_m = 0.186
    orbit = circular_orbit(launch_m, radius_m, radius_m, 0.009)
    cell, beam = _round_cell(orbit, radius_m, reflectivity, hole_radius_m=0.0015)
    spacing_m = np.linspace(0.1695, 0.1945, 8000)
    seen = exit_power(cell.at_spacing(spacing_m), beam, 90, floor=1e-6)

    figure = Figure(figsize=(WIDTH_IN, 3.6), layout="constrained")
    axes = figure.subplots()
    axes.plot(spacing_m * MM, seen.power, color=LIGHT["entrance"], lw=1.1)
    for passes in np.unique(seen.passes[seen.power > 0.0]):
        height = reflectivity ** (passes - 1.0)
        clean = (seen.passes_power > 0.9 * height) & (seen.passes_power > 0.97 * seen.power)
        on = spacing_m[(seen.passes == passes) & clean] * MM
        if on.size < 100:
            continue
        axes.hlines(height, on[0], on[-1], color=LIGHT["far"], lw=4, alpha=0.35)
        axes.annotate(
            str(passes),
            (0.5 * (on[0] + on[-1]), height),
            xytext=(0, 6),
            textcoords="offset points",
            ha="center",
        )
    axes.set(xlabel="spacing / mm", ylabel="share of the entering power", ylim=(0.0, 1.04))
    axes.set_xlim(spacing_m[0] * MM, spacing_m[-1] * MM)
    axes.set_title("Passes on each plateau; wide bars: reflectivity to the power N − 1")
    return figure


def footprints() -> Figure:
    """Spot ellipses along a path far off the axis."""
    radius_m, passes = 0.4, 26
    orbit = reentrant_circle(passes, 7, radius_m, radius_m, 0.06)
    cell, beam = _round_cell(orbit, radius_m, 0.99, hole_radius_m=0.0015, aperture_radius_m=0.075)
    path = trace(cell, beam, passes)
    table = spot_table(cell, path)

    figure = Figure(figsize=(WIDTH_IN, 4.1), layout="constrained")
    left, right = figure.subplots(1, 2, width_ratios=(4, 5))
    for mirror in ("entrance", "far"):
        rows = [row for row in table if row.mirror == mirror]
        _ellipses(left, rows, LIGHT[mirror], larger=12.0)
        for row in rows[:-1] if mirror == "entrance" else rows:
            left.annotate(
                str(row.pass_number),
                (0.8 * row.x_m * MM, 0.8 * row.y_m * MM),
                ha="center",
                va="center",
                fontsize=7,
                color=LIGHT[mirror],
            )
    left.add_patch(Circle((0, 0), 75, facecolor="none", edgecolor=LIGHT["quiet"], lw=1))
    left.set(xlim=(-79, 79), ylim=(-79, 79), aspect="equal", xlabel="x / mm", ylabel="y / mm")
    left.set_title("Spots drawn twelve times as large")
    number = np.arange(passes + 1)
    large, small = path.beam_radii_m
    right.plot(number, large * MM, "o-", color=LIGHT["chosen"], ms=3.5, lw=0.9, label="large")
    right.plot(number, small * MM, "o-", color=LIGHT["model"], ms=3.5, lw=0.9, label="small")
    mode = matched_mode(orbit.spacing_m, radius_m, radius_m, float(beam.wavelength_m))
    right.axhline(
        float(mode.entrance_radius_m) * MM,
        color=LIGHT["quiet"],
        lw=0.9,
        ls=(0, (4, 3)),
        label="round mode on the axis",
    )
    right.set(xlabel="pass", ylabel="1/e² radius / mm", ylim=(0.23, 0.36))
    right.set_title("Radii of the footprint")
    right.legend(frameon=False, loc="lower left")
    return figure


def margin_map() -> Figure:
    """How far the plateau of 62 passes reaches along the spacing, over input pitch and yaw."""
    bench, passes = load(BENCH), 62
    setting = choose_pattern(bench, passes).setting
    slope_x = np.linspace(-0.1, 0.02, 81)[:, None, None]
    slope_y = np.linspace(-0.095, 0.095, 121)[None, :, None]
    spacing_m = setting.spacing_m + np.linspace(-2e-3, 2e-3, 81)
    beam = replace(bench.beam(setting), slope_x=slope_x, slope_y=slope_y)
    seen = exit_power(bench.cell(setting.spacing_m).at_spacing(spacing_m), beam, 80, floor=1e-4)
    low, high = plateau_edges(
        spacing_m, seen.power, seen.passes, seen.passes_power, passes, setting.spacing_m
    )
    middle = int(np.argmin(np.abs(spacing_m - setting.spacing_m)))
    margin_m = np.minimum(setting.spacing_m - low, high - setting.spacing_m)
    margin_m = np.where(seen.passes[..., middle] == passes, margin_m, np.nan)

    figure = Figure(figsize=(WIDTH_IN, 5.0), layout="constrained")
    left, right = figure.subplots(1, 2, sharey=True)
    for axes, values, colour, label in (
        (left, seen.power[..., middle], "entrance", "share of the entering power"),
        (right, margin_m * MM, "far", "to the nearer edge of the plateau / mm"),
    ):
        shown = axes.pcolormesh(
            slope_x.ravel() * MM,
            slope_y.ravel() * MM,
            np.ma.masked_invalid(values.T),
            cmap=ListedColormap(_shades(LIGHT["paper"], LIGHT[colour])),
            vmin=0.0,
            rasterized=True,
        )
        figure.colorbar(shown, ax=axes, label=label, location="bottom", pad=0.01, aspect=35)
        (low_y, high_y), (low_x, high_x) = bench.axes["pitch"].reach, bench.axes["yaw"].reach
        zero = bench.zero
        axes.add_patch(
            Rectangle(
                ((zero.slope_x + low_x) * MM, (zero.slope_y + low_y) * MM),
                (high_x - low_x) * MM,
                (high_y - low_y) * MM,
                facecolor="none",
                edgecolor=LIGHT["ink"],
                lw=0.9,
                ls=(0, (4, 3)),
            )
        )
        axes.plot(setting.slope_x * MM, setting.slope_y * MM, "+", color=LIGHT["ink"], ms=9)
        axes.set(xlabel="slope in x (yaw) / mrad", aspect="equal")
    left.set_ylabel("slope in y (pitch) / mrad")
    left.set_title("Power that leaves")
    right.set_title(f"Margin of {passes} passes along the spacing")
    return figure


PICTURES: dict[str, Callable[[], Figure]] = {
    "spots.svg": spots,
    "staircase.svg": staircase,
    "footprints.svg": footprints,
    "margin-map.svg": margin_map,
}


def draw_all(folder: Path) -> None:
    """Every picture, into ``folder``."""
    for name, draw in PICTURES.items():
        with drawing_style():
            draw().savefig(
                folder / name,
                facecolor=LIGHT["paper"],
                metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")),
                dpi=150,
            )


def _round_cell(
    orbit: CircularOrbit,
    radius_m: float,
    reflectivity: float,
    *,
    hole_radius_m: float,
    aperture_radius_m: float = 0.025,
    axis_ratio: float = 1.0,
    wavelength_m: float = 633e-9,
) -> tuple[Cell, InputBeam]:
    """A cell of equal mirrors and a beam in its mode that enters at (r, 0).

    ``axis_ratio`` scales the tangential slope of the circle: 0 makes a line.
    """
    mirror = Mirror.spherical(radius_m, aperture_radius_m, reflectivity)
    hole = Hole("entrance", orbit.circle_radius_m, 0.0, hole_radius_m)
    mode = matched_mode(orbit.spacing_m, radius_m, radius_m, wavelength_m)
    waist_m, ahead_m = float(mode.waist_m), float(mode.waist_distance_m)
    beam = InputBeam(
        orbit.circle_radius_m,
        0.0,
        orbit.radial_slope,
        axis_ratio * orbit.tangential_slope,
        wavelength_m,
        waist_m,
        waist_m,
        ahead_m,
        ahead_m,
    )
    return Cell(orbit.spacing_m, mirror, mirror, (hole,)), beam


def _mirror_face(axes: Axes, cell: Cell, name: str, reach: float) -> None:
    mirror = cell.entrance_mirror if name == "entrance" else cell.far_mirror
    edge = float(mirror.aperture_radius_m) * MM
    axes.add_patch(Circle((0, 0), edge, facecolor=LIGHT["panel"], edgecolor=LIGHT["quiet"], lw=1))
    for hole in cell.holes:
        if hole.mirror == name:
            place = float(hole.x_m) * MM, float(hole.y_m) * MM
            axes.add_patch(
                Circle(
                    place,
                    float(hole.radius_m) * MM,
                    facecolor=LIGHT["paper"],
                    edgecolor=LIGHT["ink"],
                    lw=1,
                )
            )
    axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")


def _ellipses(axes: Axes, rows: list[SpotRow], colour: str, larger: float = 1.0) -> None:
    for row in rows:
        axes.add_patch(
            Ellipse(
                (row.x_m * MM, row.y_m * MM),
                2 * larger * row.radius_large_m * MM,
                2 * larger * row.radius_small_m * MM,
                angle=math.degrees(row.angle_rad),
                facecolor=colour,
                edgecolor=colour,
                alpha=0.7,
                lw=0.6,
            )
        )


def _numbers(axes: Axes, rows: list[SpotRow]) -> None:
    """Pass numbers beside the spots; spots that share a place share a label."""
    heaps: list[list[SpotRow]] = []
    for row in rows:
        for heap in heaps:
            if math.hypot(row.x_m - heap[0].x_m, row.y_m - heap[0].y_m) < 8e-4:
                heap.append(row)
                break
        else:
            heaps.append([row])
    for heap in heaps:
        place = np.array([heap[0].x_m, heap[0].y_m]) * MM
        on_line = all(abs(row.y_m) < 1e-3 for row in rows)
        away = np.array([0.0, 1.0]) if on_line else -place / np.hypot(*place)
        axes.text(
            *(place + (3.9 if heap[0].pass_number == 0 and not on_line else 2.1) * away),
            ", ".join(str(row.pass_number) for row in heap),
            fontsize=7,
            color=LIGHT["quiet"],
            rotation=90 if on_line else 0,
            ha="center",
            va="bottom" if on_line else "center",
        )


def _shades(pale: str, full: str) -> list[tuple[float, ...]]:
    """128 colours from one to another."""
    one, two = (np.array([int(c[i : i + 2], 16) / 255 for i in (1, 3, 5)]) for c in (pale, full))
    return [tuple(one + share * (two - one)) for share in np.linspace(0.0, 1.0, 128)]


if __name__ == "__main__":
    draw_all(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
