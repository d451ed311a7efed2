"""The spots on both mirrors, to scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from autocell.description import BenchDescription
from autocell.optics.cell import Hole
from autocell.outcome import MirrorName, Spot
from autocell.report.palette import LIGHT
from autocell.report.svg import WIDTH_IN, drawing_style, inline_svg, sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MM = 1e3
_MOST_NUMBERS = 40


def mirrors(bench: BenchDescription, spots: Sequence[Spot], nominal: bool) -> str:
    """The spots on both mirrors and around every hole, to scale, numbered by pass."""
    holes = bench.cell(bench.spacing_at_zero_m).holes
    with drawing_style():
        figure = sheet(WIDTH_IN, 3.75 if len(holes) == 1 else 3.0)
        widths = (10, 10, *(6 for _ in holes))
        entrance, far, *close = figure.subplots(1, len(widths), width_ratios=widths)
        _mirror_face(entrance, bench, "entrance", spots)
        _mirror_face(far, bench, "far", spots)
        entrance.set_title("Entrance mirror")
        far.set_title("Far mirror")
        for axes, hole in zip(close, holes, strict=True):
            _around_hole(axes, bench, hole, spots)
            axes.set_title(
                "Around the hole, enlarged"
                if len(holes) == 1
                else f"{_which(hole, holes).capitalize()} hole, enlarged"
            )
        last = max(spot.pass_number for spot in spots)
        return inline_svg(
            figure,
            "mirrors",
            "Spots on both mirrors",
            f"{'Nominal' if nominal else 'Fitted'} positions of the beam on the entrance mirror, "
            f"on the far mirror and around {' and '.join(_name(hole, holes) for hole in holes)} "
            f"over {last} passes, to scale. " + clearance_in_words(bench, spots),
        )


def closest_to_hole(
    bench: BenchDescription, spots: Sequence[Spot]
) -> tuple[Spot, Hole, float] | None:
    """The spot closest to a hole of its mirror, that hole, and the gap to its rim in beam radii.

    The beam that comes in and the one that leaves are not counted. None when there is no other.
    """
    last = max(spot.pass_number for spot in spots)
    found = []
    for hole in bench.cell(bench.spacing_at_zero_m).holes:
        x, y, radius = _in_mm(hole)
        for spot in spots:
            if spot.mirror == hole.mirror and 0 < spot.pass_number < last:
                away = math.hypot(spot.x_m * _MM - x, spot.y_m * _MM - y)
                found.append((spot, hole, (away - radius) / (spot.radius_large_m * _MM)))
    return min(found, key=lambda one: one[2], default=None)


def clearance_in_words(bench: BenchDescription, spots: Sequence[Spot]) -> str:
    """One sentence on the spot that comes closest to a hole."""
    found = closest_to_hole(bench, spots)
    if found is None:
        return "No spot falls beside a hole."
    spot, hole, gap = found
    holes = bench.cell(bench.spacing_at_zero_m).holes
    return (
        f"The spot closest to {_name(hole, holes) if len(holes) == 1 else 'a hole'} is that of "
        f"pass {spot.pass_number}{'' if len(holes) == 1 else f', beside {_name(hole, holes)}'}; "
        f"its centre clears the rim by {gap:.1f} beam radii."
    )


def _name(hole: Hole, holes: Sequence[Hole]) -> str:
    return "the hole" if len(holes) == 1 else f"the {_which(hole, holes)} hole"


def _which(hole: Hole, holes: Sequence[Hole]) -> str:
    """A second hole in the entrance mirror is there to leave by."""
    return "exit" if hole.mirror == "entrance" and hole != holes[0] else hole.mirror


def _in_mm(hole: Hole) -> tuple[float, float, float]:
    """Centre and radius of one hole."""
    x, y, radius = (float(np.asarray(value)) for value in (hole.x_m, hole.y_m, hole.radius_m))
    return x * _MM, y * _MM, radius * _MM


def _mirror_face(
    axes: Axes, bench: BenchDescription, mirror: MirrorName, spots: Sequence[Spot]
) -> None:
    radius = _draw_mirror(axes, bench, mirror)
    here = [spot for spot in spots if spot.mirror == mirror]
    _draw_spots(axes, here, LIGHT[mirror])
    _number_spots(axes, here, 0.085 * radius, 7.5)
    reach = 1.04 * radius
    axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal", xlabel="x / mm")
    axes.locator_params(nbins=5)
    if mirror == "entrance":
        axes.set_ylabel("y / mm")


def _around_hole(axes: Axes, bench: BenchDescription, hole: Hole, spots: Sequence[Spot]) -> None:
    x, y, radius = _in_mm(hole)
    wide, tall = 2.7 * radius, 4.4 * radius
    _draw_mirror(axes, bench, hole.mirror)
    here = [
        spot
        for spot in spots
        if spot.mirror == hole.mirror
        and abs(spot.x_m * _MM - x) < wide
        and abs(spot.y_m * _MM - y) < tall
    ]
    _draw_spots(axes, here, LIGHT[hole.mirror])
    for heap in _heaps(here, 0.2 * radius / _MM):
        left, height = heap[0].x_m * _MM, heap[0].y_m * _MM
        inside = math.hypot(left - x, height - y) < radius
        axes.annotate(
            ", ".join(str(spot.pass_number) for spot in heap),
            (x - radius if inside else left, height),
            xytext=(-3 if inside else -8, 0),
            textcoords="offset points",
            ha="right",
            va="center",
            fontsize=8,
            clip_on=True,
        )
    axes.locator_params(nbins=4)
    axes.set(xlim=(x - wide, x + wide), ylim=(y - tall, y + tall), aspect="equal")
    axes.set_xlabel("x / mm")


def _draw_mirror(axes: Axes, bench: BenchDescription, mirror: MirrorName) -> float:
    """The clear aperture of a mirror and the holes in it; its radius, mm."""
    from matplotlib.patches import Circle

    face = bench.entrance_mirror if mirror == "entrance" else bench.far_mirror
    radius = face.aperture_radius_m * _MM
    axes.add_patch(Circle((0, 0), radius, facecolor=LIGHT["panel"], edgecolor=LIGHT["quiet"], lw=1))
    for hole in bench.cell(bench.spacing_at_zero_m).holes:
        if hole.mirror == mirror:
            x, y, edge = _in_mm(hole)
            axes.add_patch(
                Circle((x, y), edge, facecolor=LIGHT["paper"], edgecolor=LIGHT["ink"], lw=1)
            )
    return radius


def _draw_spots(axes: Axes, spots: Sequence[Spot], colour: str) -> None:
    from matplotlib.collections import EllipseCollection

    axes.add_collection(
        EllipseCollection(
            [2 * spot.radius_large_m * _MM for spot in spots],
            [2 * spot.radius_small_m * _MM for spot in spots],
            [math.degrees(spot.angle_rad) for spot in spots],
            units="xy",
            offsets=[(spot.x_m * _MM, spot.y_m * _MM) for spot in spots],
            offset_transform=axes.transData,
            facecolor=colour,
            edgecolor=colour,
            alpha=0.75,
            lw=0.6,
        ),
        autolim=False,
    )


def _number_spots(axes: Axes, spots: Sequence[Spot], offset: float, size: float) -> None:
    """Pass numbers beside the spots, on the side of the pattern's centre."""
    if not spots:
        return
    centre = np.mean([(spot.x_m, spot.y_m) for spot in spots], axis=0) * _MM
    heaps = _heaps(spots, 0.4 * offset / _MM)
    for heap in heaps[:: math.ceil(len(heaps) / _MOST_NUMBERS)]:
        place = np.array([heap[0].x_m, heap[0].y_m]) * _MM
        inward = centre - place
        distance = float(np.hypot(*inward))
        step = inward / distance * offset if distance > offset else np.array([0.0, offset])
        sideways = len(heap) > 1 and abs(step[0]) > abs(step[1])
        axes.text(
            place[0] + step[0],
            place[1] + step[1],
            ", ".join(str(spot.pass_number) for spot in heap),
            ha=("right" if step[0] < 0 else "left") if sideways else "center",
            va="center",
            fontsize=size,
            color=LIGHT["quiet"],
        )


def _heaps(spots: Sequence[Spot], reach_m: float) -> list[list[Spot]]:
    """Spots that lie too close to each other for numbers of their own, together."""
    heaps: list[list[Spot]] = []
    for spot in spots:
        for heap in heaps:
            if math.hypot(spot.x_m - heap[0].x_m, spot.y_m - heap[0].y_m) < reach_m:
                heap.append(spot)
                break
        else:
            heaps.append([spot])
    return heaps
