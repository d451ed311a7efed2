"""The page stands alone, is well formed, escapes what it shows, and says what the run says."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from html import escape
from html.parser import HTMLParser

import pytest

from autocell.description import BenchDescription
from autocell.outcome import Evidence, Outcome, Proof, Verdict
from autocell.records import RunRecord
from autocell.report import render

# Elements without an end tag: HTML Living Standard, 13.1.2 "void elements".
VOID = {
    "area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source",
    "track", "wbr",
}  # fmt: skip


class Page(HTMLParser):
    """Checks nesting as it reads; keeps ids, references and text."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.seen: Counter[str] = Counter()
        self.ids: Counter[str] = Counter()
        self.references: list[str] = []
        self.labels: list[str] = []
        self.text = ""
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_startendtag(tag, attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"<{tag}> repeats an attribute"
        self.seen[tag] += 1
        for name, value in attrs:
            text = value or ""
            if name == "id":
                self.ids[text] += 1
            if name in {"src", "href", "xlink:href", "action", "data", "srcset", "poster"}:
                self.references.append(text)
            if name == "aria-labelledby":
                self.labels += text.split()
            self.references += re.findall(r"url\(([^)]*)\)", text)

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture(scope="module")
def html(run: RunRecord, bench: BenchDescription) -> str:
    return render(run, bench)


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    return Page(html)


def test_the_page_is_well_formed(html: str, page: Page) -> None:
    assert html.startswith("<!DOCTYPE html>")
    assert page.open == []
    assert page.seen["html"] == page.seen["main"] == page.seen["h1"] == 1
    assert [name for name, count in page.ids.items() if count > 1] == []


def test_nothing_on_the_page_points_outside(html: str, page: Page) -> None:
    assert page.references
    for reference in page.references:
        assert reference.startswith("#"), reference
        assert reference[1:] in page.ids
    assert not {"script", "link", "img", "iframe", "object"} & page.seen.keys()
    assert "@import" not in html
    assert not re.search(r"url\((?!#)", html)
    assert not re.search(r"https?:", html)


def test_every_figure_has_a_title_and_a_description_for_those_who_cannot_see_it(
    page: Page,
) -> None:
    assert page.seen["svg"] == 3
    assert len(page.labels) == 2 * page.seen["svg"]
    assert all(page.ids[label] == 1 for label in page.labels)


def test_words_in_figures_are_text(html: str, page: Page) -> None:
    assert "nominal spacing / mm" in page.text
    assert "Around the hole, enlarged" in page.text
    assert "DejaVu" not in html


def test_colours_follow_light_and_dark_paper(html: str) -> None:
    assert "prefers-color-scheme: dark" in html
    assert "stroke: var(--entrance, #" in html


def test_the_page_says_what_came_of_the_run(page: Page, outcome: Outcome, run: RunRecord) -> None:
    assert "Reached 62 passes, proved" in page.text
    assert "An invented scenario" in page.text
    assert outcome.proof is not None
    for piece in outcome.proof.evidence:
        assert piece.statement in page.text
    assert page.text.count("✓ holds") == len(outcome.proof.evidence)
    assert "± 0.0022 m (k = 2)" in page.text
    assert "25 November 2026, 02:00" in page.text
    assert run.summary.id in page.text
    assert run.summary.bench_sha256 in page.text


def test_every_move_reading_and_event_is_on_the_page(page: Page, run: RunRecord) -> None:
    assert f"{len(run.moves)} moves" in page.text
    assert f"{len(run.readings)} readings" in page.text
    assert run.events[0].text in page.text
    assert page.text.count("arrived") == len(run.moves)


def test_the_budget_says_that_passes_are_no_uncertainty_and_spacing_errors_add_up(
    page: Page,
) -> None:
    text = " ".join(page.text.split())
    assert "The number of passes is a hypothesis" in text
    assert "counts N times, not √N times" in text
    assert "JCGM 100:2008" in text


def test_cautions_name_the_laser_the_motion_and_who_decides(page: Page) -> None:
    for words in ("class 3B", "1654 nm", "invisible", "move without warning",
                  "not a safety function", "laser safety officer decides"):  # fmt: skip
        assert words in page.text


def test_evidence_against_is_marked_by_a_word_not_only_by_a_colour(
    run: RunRecord, bench: BenchDescription, outcome: Outcome
) -> None:
    held = replace(
        outcome,
        verdict=Verdict.HELD,
        proof=Proof(False, 0.61, (Evidence("The upper edge was not found.", False),)),
    )
    text = Page(render(replace(run, outcome=held), bench)).text
    assert "Held: 62 passes wanted, not proved" in text
    assert "✗ fails" in text


def test_the_pass_counts_of_the_model_benches_are_bars_as_long_as_their_share(
    html: str, run: RunRecord, bench: BenchDescription, outcome: Outcome
) -> None:
    bar = (
        r'<th scope="row">(\d+) passes</th><td><span class="bar( chosen)?" style="width: ([\d.]+)%"'
    )
    assert [passes for passes, _, _ in re.findall(bar, html)] == ["62", "68", "56", "60"]
    split = replace(run, outcome=replace(outcome, posterior=((68, 0.25), (62, 0.5), (56, 0.125))))
    drawn = re.findall(bar, render(split, bench))
    assert [(passes, bool(chosen)) for passes, chosen, _ in drawn] == [
        ("62", True), ("68", False), ("56", False),
    ]  # fmt: skip
    lengths = [float(length) for _, _, length in drawn]
    assert lengths == pytest.approx([lengths[0], 0.5 * lengths[0], 0.25 * lengths[0]])


def test_spots_without_a_fit_are_called_nominal(
    run: RunRecord, bench: BenchDescription, outcome: Outcome
) -> None:
    text = Page(render(replace(run, outcome=replace(outcome, spots=None)), bench)).text
    assert "Nominal: computed from the bench file alone" in text


def test_a_run_that_failed_before_it_read_anything_still_has_a_page(
    run: RunRecord, bench: BenchDescription
) -> None:
    empty = replace(
        run,
        moves=(),
        readings=(),
        events=(),
        outcome=Outcome(Verdict.FAILED, "The meter was silent for 2 s.", wanted_passes=62),
    )
    page = Page(render(empty, bench))
    assert "Failed: 62 passes wanted" in page.text
    assert "The meter was silent for 2 s." in page.text
    assert page.seen["svg"] == 0


def test_a_run_that_broke_off_shows_what_was_written_down(
    run: RunRecord, bench: BenchDescription
) -> None:
    last = replace(run.moves[-1], position=None, outcome=None, ended_s=None, ended_utc=None)
    broken = replace(run, outcome=None, moves=(*run.moves[:-1], last))
    page = Page(render(broken, bench))
    assert "never said how it ended" in page.text
    assert "the run broke off" in page.text
    assert page.seen["svg"] == 1


def test_whatever_a_name_or_a_message_contains_is_shown_and_not_obeyed(
    run: RunRecord, bench: BenchDescription, outcome: Outcome
) -> None:
    nasty = '<script>alert("&")</script>'
    assert outcome.proof is not None
    hostile = replace(
        run,
        outcome=replace(outcome, reason=nasty, proof=Proof(True, 1.0, (Evidence(nasty, True),))),
        events=(replace(run.events[0], text=nasty, kind=nasty),),
        readings=tuple(replace(record, purpose=nasty) for record in run.readings),
        moves=tuple(replace(move, purpose=nasty, outcome=nasty) for move in run.moves),
        arguments={nasty: nasty},
        version=nasty,
        summary=replace(run.summary, command=nasty),
    )
    html = render(hostile, replace(bench, name=nasty))
    page = Page(html)
    assert page.seen["script"] == 0
    assert "<script" not in html
    assert escape(nasty) in html
    assert page.open == []
