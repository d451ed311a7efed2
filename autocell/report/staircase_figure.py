"""Power along the spacing: readings and fitted model."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from autocell.description import BenchDescription
from autocell.outcome import Outcome
from autocell.records import ReadingRecord
from autocell.report.palette import LIGHT
from autocell.report.svg import WIDTH_IN, drawing_style, inline_svg, sheet
from autocell.setting import Setting

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MM = 1e3
_MW = 1e3
_LABEL_ROOM = 0.04
"""What a pass count above a plateau takes, as a share of the width of the figure."""


def staircase(bench: BenchDescription, outcome: Outcome, readings: Sequence[ReadingRecord]) -> str:
    """Readings and fitted model along the spacing: all of it, and the plateau close up."""
    with drawing_style():
        figure = sheet(WIDTH_IN, 3.9, bottom=0.78)
        if outcome.setting is None or not _has_margin(outcome):
            wide, close = figure.subplots(), None
        else:
            wide, close = figure.subplots(1, 2, width_ratios=(5, 3), gridspec_kw={"wspace": 0.13})
        for axes in (wide,) if close is None else (wide, close):
            _draw_model(axes, outcome)
            _draw_readings(axes, bench, outcome, readings)
            axes.set_xlabel("nominal spacing / mm")
            axes.set_ylim(bottom=0.0)
            axes.margins(y=0.12)
            axes.locator_params(nbins=5)
        wide.set_ylabel("power / mW")
        wide.set_title("All readings")
        top = wide.get_ylim()[1]
        wide.set_ylim(0.0, 1.06 * top)
        _frame_wide(wide, outcome, readings)
        _label_plateaus(wide, outcome)
        if close is not None:
            close.set_title("The plateau, close up")
            _frame_plateau(close, outcome, readings)
        handles, labels = wide.get_legend_handles_labels()
        figure.legend(handles, labels, loc="lower left", ncols=4, frameon=False)
        return inline_svg(
            figure,
            "staircase",
            "Power along the spacing",
            f"{len(readings)} readings with the fitted model and the chosen spacing"
            + (f" on the plateau of {outcome.passes} passes." if outcome.passes else "."),
        )


def _has_margin(outcome: Outcome) -> bool:
    """Whether there is a plateau to look at close up."""
    return outcome.margin_low_m is not None or outcome.margin_high_m is not None


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
    """The pass count above the chosen plateau, and above each other that has room for it."""
    low, high = axes.get_xlim()
    room = _LABEL_ROOM * (high - low)
    taken: list[float] = []
    if outcome.passes is not None and outcome.setting is not None:
        chosen = outcome.setting.spacing_m
        height = max((p.top_w for p in _plateaus(outcome) if p.holds(chosen)), default=0.0)
        _label_plateau(axes, chosen, height, outcome.passes, chosen=True)
        taken.append(chosen * _MM)
    for plateau in _plateaus(outcome):
        middle = plateau.middle_m * _MM
        if plateau.width_m * _MM >= 0.5 * room and all(abs(middle - x) >= room for x in taken):
            _label_plateau(axes, plateau.middle_m, plateau.top_w, plateau.passes, chosen=False)
            taken.append(middle)


@dataclass(frozen=True)
class _Plateau:
    """A stretch of the model with one pass count; ``low_m`` to ``high_m`` is its flat part."""

    passes: int
    low_m: float
    high_m: float
    top_w: float

    @property
    def middle_m(self) -> float:
        return 0.5 * (self.low_m + self.high_m)

    @property
    def width_m(self) -> float:
        return self.high_m - self.low_m

    def holds(self, spacing_m: float) -> bool:
        return self.low_m <= spacing_m <= self.high_m


def _plateaus(outcome: Outcome) -> Iterator[_Plateau]:
    model = outcome.staircase
    if model is None:
        return
    start = 0
    for passes, group in groupby(model.passes):
        stop = start + len(list(group))
        power = np.array(model.power_median_w[start:stop])
        level = np.flatnonzero(power >= 0.97 * power.max())
        flat = start + max(np.split(level, np.flatnonzero(np.diff(level) > 1) + 1), key=len)
        if passes > 0:
            yield _Plateau(
                passes,
                model.spacing_m[flat[0]],
                model.spacing_m[flat[-1]],
                max(model.power_high_w[i] for i in flat),
            )
        start = stop


def _label_plateau(
    axes: Axes, spacing_m: float, height_w: float, passes: int, *, chosen: bool
) -> None:
    axes.annotate(
        str(passes),
        (spacing_m * _MM, height_w * _MW),
        xytext=(0, 7),
        textcoords="offset points",
        ha="center",
        va="bottom",
        fontsize=8,
        fontweight="bold" if chosen else "normal",
        color=LIGHT["chosen"] if chosen else LIGHT["ink"],
        bbox={"facecolor": LIGHT["paper"], "edgecolor": "none", "pad": 1.0} if chosen else None,
        zorder=4,
    )


def _frame_plateau(axes: Axes, outcome: Outcome, readings: Sequence[ReadingRecord]) -> None:
    """Zoom to the plateau; draw the chosen spacing and the edges with their margins."""
    assert outcome.setting is not None
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
