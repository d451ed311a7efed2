"""A campaign as one self-contained HTML page: no network, no script, light, dark or on paper."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from autocell import __version__
from autocell.report.html import whole_page
from autocell_simulators.rehearsal import figures
from autocell_simulators.rehearsal import summary_text as text
from autocell_simulators.rehearsal.one import Rehearsal
from autocell_simulators.rehearsal.plan import Plan
from autocell_simulators.rehearsal.summary import Summary


def render(
    plan: Plan, rehearsals: Sequence[Rehearsal], summary: Summary, replays: Sequence[str]
) -> str:
    """The page. ``replays`` are the commands that rehearse each of the worst again."""
    title = text.headline(summary)
    sections = [
        _header(plan, summary, title),
        '<div class="pair">',
        _section("How it ended", _table(text.fate_rows(summary))),
        _section("What it took", _table(text.cost_rows(summary))),
        "</div>\n",
    ]
    if summary.readings.median is not None:
        histogram = figures.readings(rehearsals, plan.passes)
        sections.append(
            _figure("Readings used", histogram, "Every bench counts, whatever it came to.")
        )
    if summary.reliability:
        sections.append(_reliability(summary))
    if summary.reached_true.count:
        sections.append(_calibration(plan, rehearsals, summary))
    if summary.survived:
        sections.append(_section("What went wrong", _table(text.survival_rows(summary))))
    sections += [_worst(summary, replays), _footer(plan)]
    return whole_page(title, plan.description.name, sections)


def _header(plan: Plan, summary: Summary, title: str) -> str:
    bad = summary.wrong.count or summary.limit_violations
    all_reached = summary.reached_true.count == summary.benches
    state = "failure" if bad else "success" if all_reached else "partly"
    lost = f'<p class="note">{escape(text.lost(summary.lost))}</p>\n' if summary.lost else ""
    broken = (
        f'<p class="note caution">{escape(text.limits(summary))}</p>'
        if summary.limit_violations
        else ""
    )
    return f"""<header>
<p class="bench">Rehearsals · {escape(plan.description.name)}</p>
<h1><span class="state {state}"></span>{escape(title)}</h1>
<p>{escape(text.overnight(summary))}</p>
{lost}{broken}
<p class="note">Every bench here was simulated: drawn from {_whence(plan)},
with effects that the tool does not know of. No light was measured.</p>
</header>
"""


def _whence(plan: Plan) -> str:
    """What the benches were drawn from."""
    times = "" if plan.scale == 1.0 else f", times {plan.scale:g}"
    if plan.learned is None:
        return f"the tolerances in the bench file{times}"
    return f"what run {escape(str(plan.learned_by))} learned of the bench{times}"


def _reliability(summary: Summary) -> str:
    return _figure(
        "Can the claimed probability be believed?",
        figures.reliability(summary.reliability),
        "Every time the tool named a pass count and its probability, against how often that count "
        "was true; of each bench the first claim in a bin. Bars: where the share lies in 95 of "
        "100 campaigns if the claim is right. A cross lies outside.",
    ) + _section("", _table(text.reliability_rows(summary), text.RELIABILITY_HEAD))


def _calibration(plan: Plan, rehearsals: Sequence[Rehearsal], summary: Summary) -> str:
    return _figure(
        "Margins, claimed against true",
        figures.margins(rehearsals, plan.passes),
        "Where the wanted count was reached and true. The true edge is where another pass count "
        "dominates, or half the power of the plateau is lost.",
    ) + _section("", _table(text.calibration_rows(summary)))


def _worst(summary: Summary, replays: Sequence[str]) -> str:
    rows = [
        (*text.worst_row(rehearsal, summary.passes), replay)
        for rehearsal, replay in zip(summary.worst, replays, strict=True)
    ]
    head = ("Ended", "True passes", "Readings", "Reason", "To see it again")
    return _section(text.worst_heading(summary), _table(rows, head))


def _footer(plan: Plan) -> str:
    return (
        f"<footer>Change to {plan.passes} passes, seed {plan.seed}. Bench file "
        f"{escape(str(plan.description.path))}, SHA-256 {escape(plan.description.sha256)}. "
        f"autocell {escape(__version__)}.</footer>\n"
    )


def _figure(heading: str, svg: str, caption: str) -> str:
    return _section(heading, f"<figure>{svg}<figcaption>{escape(caption)}</figcaption></figure>")


def _section(heading: str, content: str) -> str:
    title = f"<h2>{escape(heading)}</h2>" if heading else ""
    return f"<section>{title}{content}</section>\n"


def _table(rows: Iterable[Sequence[str]], head: Sequence[str] = ()) -> str:
    titles = "".join(f"<th>{escape(cell)}</th>" for cell in head)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    above = f"<thead><tr>{titles}</tr></thead>" if head else ""
    return f'<div class="scroll"><table>{above}<tbody>{body}</tbody></table></div>'
