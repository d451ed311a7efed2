"""What changed from night to night, in small pictures. Inline SVG."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from autocell.report.morning.morning import Morning
from autocell.report.morning.rows import change_in_words
from autocell.report.morning.verdict import day
from autocell.report.palette import LIGHT
from autocell.report.svg import drawing_style, inline_svg, sheet
from autocell.trends.series import Series

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_PANEL_IN = (4.5, 2.1)
_COLOURS = ("entrance", "far", "chosen", "good", "quiet")
_MARKERS = ("o", "s", "^", "D", "v")


def panels(morning: Morning) -> list[tuple[str, str]]:
    """What changed from night to night: the words above each picture, and the picture."""
    nights = morning.nights.nights
    if len(nights) < 2:
        return []
    span = nights[0].date, nights[-1].date
    by_name = {series.name: series for series in morning.series if len(series.values) > 1}
    light = "ratio" if "ratio" in by_name else "power"
    found = [
        (f"{_label(series)}: {_change(series)}", _one(series, span))
        for name in ("reflectivity", light, "laser", "light", "middle of spacing", "margin")
        if (series := by_name.get(name)) is not None
    ]
    pointing = [
        series
        for name, series in by_name.items()
        if series.group == "drift" and series.axis != "spacing" and series.unit == "mrad"
    ]
    if pointing:
        told = "; ".join(f"{series.axis} {_change(series)}" for series in pointing)
        words = f"Input pointing, by the plateau's middle / mrad: {told}"
        found.append((words, _several(pointing, span)))
    places = [series for series in by_name.values() if series.group == "axis"]
    if places:
        found.append(("Where each axis stands between its limits / %", _in_range(places, span)))
    return found


def _one(series: Series, span: tuple[date, date]) -> str:
    with drawing_style():
        figure = sheet(*_PANEL_IN, left=0.65, right=0.15, bottom=0.25, top=0.06)
        axes = figure.subplots()
        _points(axes, series, "entrance", "o")
        _line(axes, series)
        _dates(axes, *span)
        axes.grid(axis="y")
        axes.set_axisbelow(True)
        axes.locator_params(axis="y", nbins=4)
        axes.ticklabel_format(axis="y", useOffset=False)
        return inline_svg(figure, _slug(series.name), series.words, _in_words(series))


def _several(group: Sequence[Series], span: tuple[date, date]) -> str:
    """Changes since the first night, each line named at its end."""
    with drawing_style():
        figure = sheet(*_PANEL_IN, left=0.65, right=0.15, bottom=0.25, top=0.06)
        axes = figure.subplots()
        ends = []
        for series, colour, marker in zip(group, _COLOURS, _MARKERS, strict=False):
            _points(axes, series, colour, marker, since_first=True)
            change = series.factor * (series.values[-1].value - series.values[0].value)
            ends.append((change, str(series.axis), LIGHT[colour]))
        _dates(axes, *span)
        low, high = axes.get_ylim()
        _name_ends(axes, span, ends, 0.12 * (high - low))
        axes.axhline(0.0, color=LIGHT["rule"], lw=0.9, zorder=0)
        axes.grid(axis="y")
        axes.set_axisbelow(True)
        axes.locator_params(axis="y", nbins=4)
        about = " ".join(_in_words(series) for series in group)
        return inline_svg(figure, "pointing", "Input pointing since the first night", about)


def _in_range(group: Sequence[Series], span: tuple[date, date]) -> str:
    """How far each axis stands from its lower end, in per cent of the way to the upper end."""
    with drawing_style():
        figure = sheet(*_PANEL_IN, left=0.65, right=0.15, bottom=0.25, top=0.06)
        axes = figure.subplots()
        ends = []
        for series, colour, marker in zip(group, _COLOURS, _MARKERS, strict=False):
            low, high = (limit.value for limit in series.limits)
            shares = [100.0 * (value.value - low) / (high - low) for value in series.values]
            axes.plot([_x(value.date) for value in series.values], shares, color=LIGHT[colour],
                      lw=1.1, marker=marker, markersize=2.6)  # fmt: skip
            ends.append((shares[-1], str(series.axis), LIGHT[colour]))
        _dates(axes, *span)
        _name_ends(axes, span, ends, 12.0)
        axes.set(ylim=(0.0, 100.0), yticks=[0, 50, 100])
        axes.grid(axis="y")
        axes.set_axisbelow(True)
        about = "; ".join(f"{name} at {share:.0f} %" for share, name, _ in ends)
        return inline_svg(figure, "places", "Where each axis stands between its limits", about)


def _name_ends(
    axes: Axes, span: tuple[date, date], ends: Sequence[tuple[float, str, str]], least: float
) -> None:
    """Write the name of each line (its last value, its name, its colour) beside its end."""
    left, right = _x(span[0]), _x(span[1])
    for y, (_, name, colour) in zip(_apart([e[0] for e in ends], least), ends, strict=True):
        axes.annotate(name, (right, y), color=colour, va="center", xytext=(7, 0),
                      textcoords="offset points")  # fmt: skip
    axes.set_xlim(right=right + 0.2 * (right - left) + 1.0)


def _apart(heights: Sequence[float], least: float) -> list[float]:
    """The same heights, moved up where two would be closer than ``least``."""
    order = np.argsort(heights)
    placed = list(heights)
    for below, above in pairwise(order):
        placed[above] = max(placed[above], placed[below] + least)
    return placed


def _points(
    axes: Axes, series: Series, colour: str, marker: str, *, since_first: bool = False
) -> None:
    """Each night with its standard uncertainty; those that the line leaves out are hollow."""
    offset = series.values[0].value if since_first else 0.0
    used = set(series.trend.used)
    for face, seen in (
        (colour, [value for k, value in enumerate(series.values) if k in used]),
        ("paper", [value for k, value in enumerate(series.values) if k not in used]),
    ):
        axes.errorbar(
            [_x(value.date) for value in seen],
            [series.factor * (value.value - offset) for value in seen],
            yerr=[series.factor * value.u for value in seen],
            linestyle="none",
            marker=marker,
            markersize=3.4,
            color=LIGHT[colour],
            markerfacecolor=LIGHT[face],
            elinewidth=0.8,
        )


def _line(axes: Axes, series: Series) -> None:
    """The line with its 95 % band where there is a trend, and the jump before it."""
    trend = series.trend
    if trend.jump is not None:
        when = _x(series.values[trend.jump.first].date) - 0.5
        axes.axvline(when, color=LIGHT["quiet"], lw=0.9, linestyle=(0, (4, 3)))
        axes.annotate("jump", (when, 0.0), xycoords=("data", "axes fraction"), xytext=(3, 4),
                      textcoords="offset points", fontsize=7.5, color=LIGHT["quiet"])  # fmt: skip
    if trend.line is None or not trend.found:
        return
    used = [series.values[k] for k in trend.used]
    x = [_x(value.date) for value in used]
    middle, u = np.array([trend.line.at(value.night) for value in used]).T * series.factor
    axes.plot(x, middle, color=LIGHT["chosen"], lw=1.6, zorder=3)
    axes.fill_between(
        x, middle - 2.0 * u, middle + 2.0 * u, color=LIGHT["chosen"], alpha=0.15, lw=0
    )


def _dates(axes: Axes, first: date, last: date) -> None:
    days = max(1, (last - first).days)
    step = max(1, days // 4)
    ticks = [first + timedelta(days=k) for k in range(0, days + 1, step)]
    axes.set_xticks([_x(tick) for tick in ticks], [f"{tick.day} {tick:%b}" for tick in ticks])
    axes.set_xlim(_x(first) - 0.8, _x(last) + 0.8)


def _x(of: date) -> float:
    return float(of.toordinal())


def _change(series: Series) -> str:
    return f"{change_in_words(series)} a night" if series.trend.found else change_in_words(series)


def _label(series: Series) -> str:
    return f"{series.words} / {series.unit}" if series.unit else series.words


def _in_words(series: Series) -> str:
    first, last = series.values[0], series.values[-1]
    return (
        f"{series.words}, {len(series.values)} nights from {day(first.date)} to {day(last.date)}: "
        f"{change_in_words(series)}."
    )


def _slug(name: str) -> str:
    return name.replace(" ", "-")
