"""The morning report as one self-contained page: no network, no script; for a screen, a telephone
or a wall."""

from __future__ import annotations

import base64
import csv
from html import escape
from io import StringIO

from autocell.report import cautions, words
from autocell.report.html import folded, table, whole_page
from autocell.report.morning import figures
from autocell.report.morning.advice import NOTHING, advice
from autocell.report.morning.compared import COMPARED_HEAD, compared
from autocell.report.morning.morning import Morning
from autocell.report.morning.rows import MOVED_HEAD, TREND_HEAD, moved, trend_rows
from autocell.report.morning.runs import RUNS_HEAD, events, origin, run_rows
from autocell.report.morning.verdict import (
    day,
    explanation,
    headline,
    how_it_went,
    night_in_words,
    state,
    tally,
)
from autocell.report.svg import drawing_style
from autocell.trends.nights import Night

_MARKS = {
    "well": ("●", "well"), "degraded": ("◆", "look"), "held": ("◇", "look"),
    "failed": ("×", "alarm"), "hung": ("✖", "alarm"), "broken off": ("✖", "alarm"),
    "missed": ("—", "alarm"), "without a run": ("·", "none"),
}  # fmt: skip
_LEGEND = (
    "Each mark is a night: ● well, ◆ degraded, ◇ held, × failed, ✖ hung or broken off, — missed."
)


@drawing_style()
def render(morning: Morning) -> str:
    """The page."""
    title = headline(morning)
    sections = [_header(morning, title), _to_do(morning)]
    if morning.nights.nights:
        sections += [_nights(morning), _in_numbers(morning), _trends(morning), _runs(morning)]
    sections += [_cautions(morning), _footer(morning)]
    return whole_page(title, morning.bench.name, sections, "morning/page.css")


def _header(morning: Morning, title: str) -> str:
    night = "" if morning.night is None else f" · {night_in_words(morning.night)}"
    invented = (
        '<p class="note">An invented scenario: there is no such bench; no light was measured.</p>'
        if words.is_invented(morning.bench.name)
        else ""
    )
    return f"""<header>
<p class="bench">{escape(morning.bench.name)}{escape(night)}</p>
<h1><span class="state {state(morning)}"></span>{escape(title)}</h1>
<p>{escape(explanation(morning))}</p>
{invented}
<p class="note caution">{escape(cautions.in_short(morning.bench))}
<a href="#cautions">Cautions</a></p>
</header>
"""


def _to_do(morning: Morning) -> str:
    pieces = advice(morning)
    if [piece.text for piece in pieces] == [NOTHING]:
        return f'<section><h2>What to do</h2><p class="todo">{escape(NOTHING)}</p></section>\n'
    items = "".join(
        f"<li>{escape(piece.text)}{' <em>It can wait.</em>' if piece.can_wait else ''}</li>"
        for piece in pieces
    )
    return f'<section><h2>What to do</h2><ol class="todo">{items}</ol></section>\n'


def _in_numbers(morning: Morning) -> str:
    """Before and after, then what moved, and why beside it."""
    rows = [[_together(escape(cell)) for cell in row.cells()] for row in compared(morning)]
    recovery, reference = morning.recovery, morning.reference
    run = reference.summary.id if recovery is None and reference is not None else None
    run = recovery.reference.run if recovery is not None else run
    told = (
        "There is no earlier proof to compare with."
        if run is None
        else f"The reference is where run {run} proved this pass count."
    )
    numbers = (
        f"""<div class="compared">{table(COMPARED_HEAD, rows, numeric={1, 2, 3})}</div>
<p class="note">{escape(told)} Standard uncertainties (k = 1).</p>"""
        if rows
        else "<p>Nothing was recorded that could be compared.</p>"
    )
    moves = [[escape(cell) for cell in row.cells()] for row in moved(morning)]
    motion = table(MOVED_HEAD, moves, numeric={1, 2, 3, 4}) if moves else "<p>Nothing.</p>"
    cause = _cause(morning)
    return f"""<section><h2>Before and after</h2>{numbers}</section>
<div class="{"pair" if cause else ""}">
<section><h2>What moved</h2>{motion}</section>
{cause}</div>
"""


def _cause(morning: Morning) -> str:
    cause = morning.cause
    if cause is None:
        return ""
    sure = ""
    if cause.confidence > 0.0:
        sure = f", with a confidence of {words.confidence(cause.confidence)}"
    possible = ""
    if len(cause.possible) > 1:
        names = ", ".join(name.value for name in cause.possible)
        possible = f"<p>What this bench saw cannot tell these apart: {escape(names)}.</p>"
    evidence = "".join(f"<li>{escape(words.sentence(piece))}</li>" for piece in cause.evidence)
    return f"""<section><h2>The cause</h2>
<p>Probably <strong>{escape(cause.name.value)}</strong>{sure}.</p>{possible}
<ul>{evidence}</ul></section>
"""


def _nights(morning: Morning) -> str:
    nights = morning.nights.nights
    if len(nights) < 2:
        return ""
    return f"""<section><h2>The last {words.count(len(nights), "night")}</h2>
<ol class="strip">{"".join(map(_mark, nights))}</ol>
<p class="note">{escape(tally(nights))}. {escape(_LEGEND)}</p></section>
"""


def _mark(night: Night) -> str:
    """One night, told by its shape; colour only repeats it."""
    how = how_it_went(night)
    shape, state = _MARKS[how]
    of = night.date
    month = f"<b>{of:%b}</b>" if of.day == 1 else ""
    return (
        f'<li title="{escape(day(of))}: {how}"><span class="{state}">{shape}</span>'
        f"<small>{of.day}{month}</small></li>"
    )


def _trends(morning: Morning) -> str:
    panels = "".join(
        f'<figure class="panel"><h3>{escape(label)}</h3>{picture}</figure>'
        for label, picture in figures.panels(morning)
    )
    rows = [[_together(escape(cell)) for cell in row] for row in trend_rows(morning)]
    if not rows:
        return ""
    ends = [row for row in rows if row[-1]]
    return f"""<section><h2>What changes</h2>
<div class="panels">{panels}</div>
<p class="note">One point a night with its standard uncertainty; hollow points are left out of the
line. Above each picture is the change a night. A line, with a band of 95 %, is drawn only where its
sign is beyond doubt: three standard deviations, and a bench may wander without a trend.</p>
</section>
<section><h2>What is left, and until when</h2>
{table(TREND_HEAD, ends, numeric={1, 2}) if ends else "<p>Nothing that could be told.</p>"}
<p class="note">A limit is passed on the first date or before it with 50 % probability, and between
the other two with 95 %, if everything goes on as it went. No line is followed for more than three
times the nights it was seen for.</p>
{folded("All quantities", TREND_HEAD, rows, {1, 2})}</section>
"""


def _runs(morning: Morning) -> str:
    runs = [
        [*map(escape, row), _links(morning, run.summary.id)]
        for row, run in zip(run_rows(morning), morning.runs, strict=True)
    ]
    lines = [[escape(line)] for line in events(morning)]
    happened = folded(words.count(len(lines), "event"), ["What happened"], lines, set())
    head = [*RUNS_HEAD, "All of it"]
    content = table(head, runs, numeric={2, 4, 5, 6, 7}) if runs else "<p>None.</p>"
    return f"<section><h2>The runs of this night</h2>{content}{happened}</section>\n"


def _links(morning: Morning, run: str) -> str:
    links = " ".join(
        f'<a href="{escape(link, quote=True)}">{"report" if link.endswith(".html") else "data"}</a>'
        for link in morning.links.get(run, ())
    )
    return f"{links} {escape(run)}".strip()


def _together(cell: str) -> str:
    """An uncertainty is not parted from its sign where a line is folded."""
    return cell.replace("± ", "±\u00a0")


def _cautions(morning: Morning) -> str:
    items = "".join(f"<p>{escape(text)}</p>" for text in cautions.in_full(morning.bench))
    return f'<section id="cautions" class="small-print"><h2>Cautions</h2>{items}</section>'


def _footer(morning: Morning) -> str:
    all_nights = base64.b64encode(nights_as_csv(morning).encode()).decode()
    address = f"data:text/csv;base64,{all_nights}"
    numbers = (
        f'<a download="nights.csv" href="{address}">All nights as CSV.</a> '
        if morning.series
        else ""
    )
    return f"<footer>{numbers}{escape(origin(morning))}</footer>\n"


def nights_as_csv(morning: Morning) -> str:
    """Every value of every series, SI, as CSV."""
    text = StringIO()
    writer = csv.writer(text)
    writer.writerow(["quantity", "night", "run", "value_si", "standard_uncertainty_si"])
    for series in morning.series:
        for value in series.values:
            writer.writerow([series.name, value.date.isoformat(), value.run, value.value, value.u])
    return text.getvalue()
