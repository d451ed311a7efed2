"""Power along the spacing: readings and fitted model."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from autocell.description import BenchDescription
from autocell.outcome import Outcome
from autocell.records import ReadingRecord
from autocell.report.palette import LIGHT
from autocell.report.svg import WIDTH_IN, drawing_style, inline_svg
from autocell.setting import Setting

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MM = 1e3
_MW = 1e3


def staircase(bench: BenchDescription, outcome: Outcome, readings: Sequence[ReadingRecord]) -> str:
    """Readings and fitted model along the spacing: all of it, and the plateau close up."""
    from matplotlib.figure import Figure

    with drawing_style():
        figure = Figure(figsize=(WIDTH_IN, 3.9), layout="constrained")
        wide, close = figure.subplots(1, 2, width_ratios=(5, 3))
        for axes in (wide, close):
            _draw_model(axes, outcome)
            _draw_readings(axes, bench, outcome, readings)
            axes.set_xlabel("nominal spacing / mm")
            axes.set_ylim(bottom=0.0)
            axes.margins(y=0.12)
        wide.set_ylabel("power / mW")
        wide.set_title("All readings")
        close.set_title("The plateau, close up")
        top = wide.get_ylim()[1]
        wide.set_ylim(0.0, 1.06 * top)
        _frame_wide(wide, outcome, readings)
        _label_plateaus(wide, outcome)
        _frame_plateau(close, outcome, readings)
        handles, labels = wide.get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower left", ncols=4, frameon=False)
        return inline_svg(
            figure,
            "staircase",
            "Power along the spacing",
            f"{len(readings)} readings with the fitted model and the chosen spacing"
            + (f" on the plateau of {outcome.passes} passes." if outcome.passes else "."),
        )


def _draw_model(axes: Axes, outcome: Outcome) -> None:
    model = outcome.staircase
    if model is None:
        return
    spacing = np.array(model.spacing_m) * _MM
    axes.fill_between(
        spacing,
        np.array(model.power_low_w) * _MW,
        np.array(model.power_high_w) * _MW,
        facecolor=LIGHT["model"],
        alpha=0.35,
        linewidth=0,
        label=f"model, {100 * model.coverage:.0f} % of the belief",
    )
    median = np.array(model.power_median_w) * _MW
    axes.plot(spacing, median, color=LIGHT["entrance"], lw=1.0, label="model, median")


def _draw_readings(
    axes: Axes, bench: BenchDescription, outcome: Outcome, readings: Sequence[ReadingRecord]
) -> None:
    here, elsewhere = _by_input_beam(bench, outcome.setting, readings)
    for chosen, label, face in (
        (elsewhere, "reading, another input beam", "none"),
        (here, "reading (bars k = 2)", LIGHT["far"]),
    ):
        if chosen:
            axes.errorbar(
                [r.reading.setting.spacing_m * _MM for r in chosen],
                [r.reading.power_w * _MW for r in chosen],
                yerr=[2 * r.reading.uncertainty_w * _MW for r in chosen],
                markersize=3.6,
                markerfacecolor=face,
                color=LIGHT["far"],
                label=label,
                linestyle="none",
                marker="o",
                elinewidth=0.9,
                zorder=3,
            )


def _by_input_beam(
    bench: BenchDescription, final: Setting | None, readings: Sequence[ReadingRecord]
) -> tuple[list[ReadingRecord], list[ReadingRecord]]:
    """Readings with the input beam of the final setting, and the others.

    Two input beams are the same when the axes could not tell them apart.
    """
    if final is None:
        return list(readings), []
    slack = np.array([axis.backlash + axis.repeatability for axis in bench.axes.values()])
    unresolved = np.abs(bench.effects[1:]) @ slack + 1e-9
    here: list[ReadingRecord] = []
    elsewhere: list[ReadingRecord] = []
    for record in readings:
        off = np.abs(record.reading.setting.as_array() - final.as_array())[1:]
        (here if np.all(off <= unresolved) else elsewhere).append(record)
    return here, elsewhere


def _frame_wide(axes: Axes, outcome: Outcome, readings: Sequence[ReadingRecord]) -> None:
    if outcome.setting is not None:
        axes.axvline(outcome.setting.spacing_m * _MM, color=LIGHT["chosen"], lw=1.2, zorder=2)
    spacings = [r.reading.setting.spacing_m * _MM for r in readings]
    if outcome.staircase is not None:
        spacings += [s * _MM for s in outcome.staircase.spacing_m]
    if spacings:
        pad = 0.01 * (max(spacings) - min(spacings)) + 0.01
        axes.set_xlim(min(spacings) - pad, max(spacings) + pad)


def _label_plateaus(axes: Axes, outcome: Outcome) -> None:
    """The pass count above each plateau that is flat, and wide enough to carry it."""
    model = outcome.staircase
    if model is None:
        return
    low, high = axes.get_xlim()
    narrowest = 0.03 * (high - low)
    start = 0
    for passes, group in groupby(model.passes):
        stop = start + len(list(group))
        left, right = (model.spacing_m[i] * _MM for i in (start, stop - 1))
        quarter = (stop - start) // 4
        middle = np.array(model.power_median_w[start + quarter : stop - quarter])
        height = float(np.median(model.power_high_w[start:stop])) * _MW
        if passes > 0 and right - left >= narrowest and np.ptp(middle) < 0.05 * middle.max():
            axes.annotate(
                str(passes),
                (0.5 * (left + right), height),
                xytext=(0, 8),
                textcoords="offset points",
                ha="center",
                va="bottom",
                fontsize=8,
                fontweight="bold" if passes == outcome.passes else "normal",
                color=LIGHT["chosen"] if passes == outcome.passes else LIGHT["ink"],
            )
        start = stop


def _frame_plateau(axes: Axes, outcome: Outcome, readings: Sequence[ReadingRecord]) -> None:
    """Zoom to the plateau; draw the chosen spacing and the edges with their margins."""
    if outcome.setting is None:
        axes.set_visible(False)
        return
    chosen = outcome.setting.spacing_m * _MM
    low, high = outcome.margin_low_m, outcome.margin_high_m
    below = 0.5 if low is None else low * _MM
    above = 0.5 if high is None else high * _MM
    left, right = chosen - 1.7 * below, chosen + 1.7 * above
    axes.set_xlim(left, right)
    axes.locator_params(axis="x", nbins=4)
    seen = [
        r.reading.power_w * _MW
        for r in readings
        if left <= r.reading.setting.spacing_m * _MM <= right
    ]
    if outcome.staircase is not None:
        model = outcome.staircase
        seen += [
            power * _MW
            for spacing, power in zip(model.spacing_m, model.power_high_w, strict=True)
            if left <= spacing * _MM <= right
        ]
    top = 1.3 * max(seen, default=1.0)
    axes.set_ylim(0.0, top)
    axes.axvline(chosen, color=LIGHT["chosen"], lw=1.2, zorder=2)
    axes.annotate(
        f"chosen\n{chosen:.3f}",
        (chosen, 0.0),
        xytext=(4, 8),
        textcoords="offset points",
        color=LIGHT["chosen"],
        fontsize=8,
    )
    for margin, edge in ((low, chosen - below), (high, chosen + above)):
        if margin is None:
            continue
        axes.axvline(edge, color=LIGHT["quiet"], lw=0.9, linestyle=(0, (4, 3)), zorder=1)
        axes.annotate(
            "",
            (edge, 0.93 * top),
            xytext=(chosen, 0.93 * top),
            arrowprops={"arrowstyle": "<->", "color": LIGHT["quiet"], "lw": 0.8},
        )
        axes.text(
            0.5 * (edge + chosen),
            0.945 * top,
            f"{margin * _MM:.3f} mm",
            ha="center",
            va="bottom",
            fontsize=8,
        )
