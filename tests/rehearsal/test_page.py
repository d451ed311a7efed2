"""The page of a campaign."""

from __future__ import annotations

import re
from collections.abc import Callable
from xml.etree import ElementTree

from autocell_simulators.rehearsal.one import Guess, Rehearsal
from autocell_simulators.rehearsal.page import render
from autocell_simulators.rehearsal.plan import Plan
from autocell_simulators.rehearsal.summary import summarise

from autocell.outcome import Verdict

Make = Callable[..., Rehearsal]


def page_of(plan: Plan, rehearsals: list[Rehearsal]) -> str:
    summary = summarise(rehearsals, plan.passes)
    return render(plan, rehearsals, summary, [f"again <{r.index}>" for r in summary.worst])


def figures_of(page: str) -> list[str]:
    found = re.findall(r"<svg.*?</svg>", page, flags=re.DOTALL)
    return [ElementTree.fromstring(svg).findtext("title") or "" for svg in found]


def test_the_page_needs_no_network_and_shows_three_figures(plan: Plan, make: Make) -> None:
    rehearsals = [
        make(i, passes=26, true_passes=26, claims=(Guess(0.7, 26, 26),)) for i in range(4)
    ]
    page = page_of(plan, rehearsals)
    assert figures_of(page) == [
        "Readings used",
        "Claimed probability against frequency",
        "Margins, claimed against true",
    ]
    assert not re.search(r"<(script|link|img)|src=|url\(http|@import", page)
    assert "4 of 4 benches reached 26 passes" in page
    assert "again &lt;0&gt;" in page


def test_a_campaign_where_nothing_was_reached_has_a_page_too(plan: Plan) -> None:
    lost = [Rehearsal(i, i, Verdict.FAILED, "<gone>") for i in range(2)]
    page = page_of(plan, lost)
    assert figures_of(page) == []
    assert "&lt;gone&gt;" in page
    assert "0 of 2 benches reached" in page


def test_one_bench_with_a_thousand_readings_does_not_spoil_the_histogram(
    plan: Plan, make: Make
) -> None:
    page = page_of(plan, [make(0), make(1, readings=1000)])
    assert page.count("<path") < 2000
