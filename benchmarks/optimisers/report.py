"""The table and the figure of a comparison, into the documentation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from autocell.report.palette import LIGHT
from autocell.report.svg import WIDTH_IN, drawing_style
from benchmarks.optimisers.own import OWN
from benchmarks.optimisers.plan import NOMINAL, NOMINAL_PEAK, Entry
from benchmarks.optimisers.results import ResultsFile
from benchmarks.optimisers.tally import Tally, tally_all

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ENDS = (
    ("wanted", "entrance", "at {passes} passes"),
    ("fewer", "far", "at fewer"),
    ("more", "chosen", "at more"),
    ("dark", "ink", "in the dark"),
    ("held", "rule", "held, and says so"),
)
_STARTS = {"nominal": "Started at the nominal setting", "six passes": "Started at six passes"}


def write_report(file: ResultsFile, passes: int, folder: Path) -> None:
    """Put the table between the marks of optimisers.md and draw optimisers.svg, in ``folder``."""
    tallies = tally_all(file.runs.values(), passes)
    page = folder / "optimisers.md"
    text = page.read_text(encoding="utf-8")
    benches = tallies[0].wanted.of
    parts = (("table", table(tallies, passes)), ("facts", in_words(benches, file.facts)))
    for name, part in parts:
        begin, end = f"<!-- {name} -->", f"<!-- end of {name} -->"
        before, _, rest = text.partition(begin)
        text = f"{before}{begin}\n{part}\n{end}{rest.partition(end)[2]}"
    page.write_text(text, encoding="utf-8")
    draw(tallies, passes, folder / "optimisers.svg")


def table(tallies: Sequence[Tally], passes: int) -> str:
    """Markdown, one row for each way, the best of each start first."""
    rows = [
        f"| Start | What is made best | Method | Ends at {passes} | 95 % bounds | fewer | more "
        f"| dark | Ever at {passes} | Readings to get there | Readings used |",
        "|---|---|---|--:|---|--:|--:|--:|--:|--:|--:|",
    ]
    for row in sorted(tallies, key=_rank):
        end, entry = row.wanted, row.entry
        held = f", {row.held} held" if row.held else ""
        rows.append(
            f"| {entry.start} | {entry.objective} | {entry.method} "
            f"| {_percent(end.share)}{held} | {_percent(end.low95)} to {_percent(end.high95)} "
            f"| {row.fewer} | {row.more} | {row.dark} | {row.ever} "
            f"| {_number(row.settled)} | {row.readings:.0f} |"
        )
    return "\n".join(rows)


def in_words(benches: int, facts: Mapping[str, Mapping[str, Any]]) -> str:
    """On how many benches, and with what each leg was run."""
    lines = [f"- {benches} benches, the same for every row of the table"]
    for leg, told in facts.items():
        versions = [f"{name} {told[name]}" for name in told if name not in ("leg", "day", "source")]
        lines.append(f"- {leg}: {told['day']}, source {told['source']}, {', '.join(versions)}")
    return "\n".join(lines)


def draw(tallies: Sequence[Tally], passes: int, path: Path) -> None:
    """Where each way ends, as bars over the benches; autocell's own at the top of both starts."""
    from matplotlib.figure import Figure

    groups = {
        start: sorted((t for t in tallies if t.entry.start == start or t.entry == OWN), key=_rank)
        for start in _STARTS
    }
    with drawing_style():
        heights = [len(group) + 1 for group in groups.values()]
        figure = Figure(figsize=(WIDTH_IN, 0.21 * sum(heights) + 0.9), layout="constrained")
        panels = figure.subplots(len(groups), 1, sharex=True, height_ratios=heights)
        for axes, (start, group) in zip(panels, groups.items(), strict=True):
            _draw_bars(axes, group, passes)
            axes.set_title(_STARTS[start])
        panels[-1].set_xlabel("benches")
        handles, labels = panels[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=5, frameon=False)
        figure.savefig(
            path,
            facecolor=LIGHT["paper"],
            metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")),
        )


def _draw_bars(axes: Axes, group: Sequence[Tally], passes: int) -> None:
    places = range(len(group))
    left = [0] * len(group)
    for name, colour, label in _ENDS:
        counts = [t.wanted.count if name == "wanted" else getattr(t, name) for t in group]
        axes.barh(
            places, counts, left=left, height=0.72, color=LIGHT[colour],
            label=label.format(passes=passes),
        )  # fmt: skip
        for place, begin, count in zip(places, left, counts, strict=True):
            if count >= 0.035 * group[0].wanted.of:
                axes.text(
                    begin + 0.5 * count, place, str(count), ha="center", va="center", fontsize=7,
                    color=LIGHT["ink" if name == "held" else "paper"],
                )  # fmt: skip
        left = [begin + count for begin, count in zip(left, counts, strict=True)]
    axes.set_yticks(places, [_label(row.entry) for row in group])
    axes.invert_yaxis()
    axes.set_xlim(0, max(left))
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)


def _label(entry: Entry) -> str:
    by_itself = entry == OWN or entry.method in (NOMINAL, NOMINAL_PEAK)
    return entry.method if by_itself else f"{entry.method}, {entry.objective}"


def _rank(row: Tally) -> tuple[bool, bool, float]:
    return row.entry != OWN, row.entry.start != "nominal", -row.wanted.share


def _percent(share: float) -> str:
    return f"{100.0 * share:.1f} %"


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.0f}"
