"""How the run went."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING

from autocell.records import MoveRecord, ReadingRecord
from autocell.report import words
from autocell.report.palette import LIGHT
from autocell.report.svg import WIDTH_IN, drawing_style, inline_svg, sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MM = 1e3
_MW = 1e3
_LETTER = 0.0075
"""Width of a small letter as a share of the width of the figure."""
_ROWS = 4
"""Of words above the figure, so that phases that follow each other closely all find a place."""


def timeline(readings: Sequence[ReadingRecord], moves: Sequence[MoveRecord], end_s: float) -> str:
    """Power and spacing along the run, over one axis of bench time."""
    minutes = end_s > 180.0
    scale = 1 / 60 if minutes else 1.0
    with drawing_style():
        figure = sheet(WIDTH_IN, 4.0, top=0.75)
        power, spacing = figure.subplots(2, 1, sharex=True)
        times = [r.reading.time_s * scale for r in readings]
        power.errorbar(
            times,
            [r.reading.power_w * _MW for r in readings],
            yerr=[2 * r.reading.uncertainty_w * _MW for r in readings],
            linestyle="none",
            marker="o",
            markersize=3.6,
            color=LIGHT["far"],
            elinewidth=0.9,
        )
        power.set_ylabel("power / mW")
        power.set_ylim(0.0, 1.06 * power.get_ylim()[1])  # room for the whole of the highest mark
        spacing.plot(
            times,
            [r.reading.setting.spacing_m * _MM for r in readings],
            color=LIGHT["entrance"],
            marker="o",
            markersize=3.0,
            lw=0.9,
        )
        spacing.set_ylabel("nominal spacing / mm")
        spacing.set_xlabel("bench time / min" if minutes else "bench time / s")
        for axes in (power, spacing):
            axes.grid(axis="y")
            axes.set_axisbelow(True)
        _mark_phases(power, spacing, readings, scale)
        return inline_svg(
            figure,
            "timeline",
            "Power and spacing along the run",
            f"{len(readings)} readings and {len(moves)} moves in {words.duration(end_s)} of bench "
            "time.",
        )


def _mark_phases(
    power: Axes, spacing: Axes, readings: Sequence[ReadingRecord], scale: float
) -> None:
    """A line and a word where the purpose of the readings changes, where there is room for it."""
    left, right = power.get_xlim()
    ends = [left] * _ROWS  # where each row of words is free again
    starts = []
    before: float | None = None
    for purpose, group in groupby(readings, key=lambda record: record.purpose):
        times = [record.reading.time_s * scale for record in group]
        start = times[0] if before is None else 0.5 * (before + times[0])
        width = (len(purpose) + 2) * _LETTER * (right - left)
        from_left = start + width <= right  # else the words end at the line
        begin = start if from_left else start - width
        row = next((row for row, end in enumerate(ends) if begin >= end), None)
        if row is not None:
            ends[row] = begin + width
            starts.append(start)
            _name_phase(power, start, purpose, row, from_left)
        before = times[-1]
    for axes in (power, spacing):
        whole_height = axes.get_xaxis_transform()
        axes.vlines(starts, 0.0, 1.0, transform=whole_height, color=LIGHT["rule"], lw=0.9, zorder=0)


def _name_phase(power: Axes, start: float, purpose: str, row: int, from_left: bool) -> None:
    power.annotate(
        purpose,
        (start, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(3 if from_left else -3, 3 + 11 * row),
        textcoords="offset points",
        ha="left" if from_left else "right",
        fontsize=7.5,
        color=LIGHT["quiet"],
    )
