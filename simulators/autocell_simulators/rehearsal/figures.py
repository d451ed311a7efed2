"""The figures of a campaign; every function returns an inline SVG element."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from autocell.report.palette import LIGHT
from autocell.report.svg import WIDTH_IN, drawing_style, inline_svg
from autocell_simulators.rehearsal.one import Rehearsal
from autocell_simulators.rehearsal.summary import Fate, ReliabilityBin, fate

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MM = 1e3
_FATE_COLOURS = {
    Fate.REACHED_TRUE: LIGHT["entrance"],
    Fate.HELD: LIGHT["far"],
    Fate.FAILED: LIGHT["quiet"],
    Fate.WRONG: LIGHT["bad"],
}
_MOST_BARS = 60


def readings(rehearsals: Sequence[Rehearsal], wanted: int) -> str:
    """Histogram of the readings used, by how the rehearsal ended; one at least must be known."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    groups = {
        end: [r.readings for r in rehearsals if r.readings is not None and fate(r, wanted) is end]
        for end in _FATE_COLOURS
    }
    known = [count for group in groups.values() for count in group]
    low, high = min(known), max(known)
    step = max(1, -(-(high - low + 1) // _MOST_BARS))
    edges = np.arange(low, high + step + 1, step) - 0.5
    with drawing_style():
        figure = Figure(figsize=(WIDTH_IN, 2.8), layout="constrained")
        axes = figure.subplots()
        shown = {end: group for end, group in groups.items() if group}
        axes.hist(
            list(shown.values()),
            bins=edges.tolist(),
            stacked=True,
            rwidth=0.86,
            color=[_FATE_COLOURS[end] for end in shown],
            label=[f"{end.value} ({len(group)})" for end, group in shown.items()],
        )
        axes.set(xlabel="readings used", ylabel="benches")
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_locator(MaxNLocator(integer=True))
        axes.legend(frameon=False)
        return inline_svg(
            figure, "readings", "Readings used", f"Readings used by {len(known)} rehearsals."
        )


def reliability(rows: Sequence[ReliabilityBin]) -> str:
    """Frequency against claimed probability, and their difference where it is small."""
    from matplotlib.figure import Figure

    with drawing_style():
        figure = Figure(figsize=(WIDTH_IN, 3.4), layout="constrained")
        diagonal, difference = figure.subplots(1, 2, width_ratios=(2, 3))
        diagonal.plot([0, 1], [0, 1], color=LIGHT["rule"], lw=0.9)
        for row in rows:
            _draw_bin(diagonal, row.claimed, 0.0, row)
        diagonal.set(
            xlim=(-0.03, 1.03), ylim=(-0.03, 1.03), aspect="equal",
            xlabel="claimed probability", ylabel="share of the claims that was true",
        )  # fmt: skip
        difference.axhline(0.0, color=LIGHT["rule"], lw=0.9)
        for place, row in enumerate(rows):
            _draw_bin(difference, place, row.claimed, row)
        difference.set_xticks(
            range(len(rows)), [f"{row.low:g}–{row.high:g}\n{row.claims}" for row in rows]
        )
        difference.set_xlim(-0.6, max(len(rows), 1) - 0.4)
        difference.set(
            xlabel="claimed probability, and number of benches", ylabel="share true − claimed"
        )
        outside = sum(not row.within for row in rows)
        return inline_svg(
            figure,
            "reliability",
            "Claimed probability against frequency",
            f"{len(rows)} bins of claimed probability, {outside} of them outside the band.",
        )


def _draw_bin(axes: Axes, place: float, zero: float, row: ReliabilityBin) -> None:
    """The band as a bar, the frequency as a point; a mark, not colour alone, tells one outside."""
    axes.vlines(
        place, row.band_low - zero, row.band_high - zero,
        color=LIGHT["model"], lw=6, alpha=0.4, capstyle="butt",
    )  # fmt: skip
    axes.plot(
        place,
        row.frequency - zero,
        marker="o" if row.within else "X",
        markersize=4.5 if row.within else 7,
        color=LIGHT["entrance"] if row.within else LIGHT["bad"],
    )


def margins(rehearsals: Sequence[Rehearsal], wanted: int) -> str:
    """Margin to each edge of the plateau, claimed against true, where reached and true."""
    from matplotlib.figure import Figure

    reached = [r for r in rehearsals if fate(r, wanted) is Fate.REACHED_TRUE]
    with drawing_style():
        figure = Figure(figsize=(WIDTH_IN, 3.6), layout="constrained")
        sides = figure.subplots(1, 2)
        pairs = (
            ("lower", [(r.true_margin_low_m, r.margin_low_m) for r in reached]),
            ("upper", [(r.true_margin_high_m, r.margin_high_m) for r in reached]),
        )
        for axes, (side, both) in zip(sides, pairs, strict=True):
            known = _MM * np.array(
                [pair for pair in both if None not in pair], dtype=float
            ).reshape(-1, 2)
            _draw_margins(axes, known)
            axes.set_title(f"Margin to the {side} edge")
        sides[0].set_ylabel("claimed / mm")
        return inline_svg(
            figure,
            "margins",
            "Margins, claimed against true",
            f"Margins of {len(reached)} benches that reached the wanted count.",
        )


def _draw_margins(axes: Axes, known: np.ndarray) -> None:
    """``known`` is (benches, 2): true and claimed, mm."""
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 1.0)
    pad = 0.08 * (high - low) + 1e-3
    limits = (low - pad, high + pad)
    axes.plot(limits, limits, color=LIGHT["rule"], lw=0.9)
    axes.plot(
        known[:, 0], known[:, 1], linestyle="none", marker="o", markersize=3.2, alpha=0.6,
        markeredgewidth=0, color=LIGHT["entrance"],
    )  # fmt: skip
    axes.set(xlim=limits, ylim=limits, aspect="equal", xlabel="true / mm")
