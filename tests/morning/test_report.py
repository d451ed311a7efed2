"""What a reader of the morning report is told, on the page, in the terminal and as JSON."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

from autocell.description import BenchDescription
from autocell.outcome import Outcome, Verdict
from autocell.records import RunRecord
from autocell.recovery import Cause, CauseName, HealthCheck
from autocell.report.morning.advice import NOTHING, advice
from autocell.report.morning.as_json import as_json
from autocell.report.morning.compared import compared
from autocell.report.morning.morning import Morning
from autocell.report.morning.page import render
from autocell.report.morning.rows import between, moved, night_ahead
from autocell.report.morning.runs import RUNS_HEAD, events, run_rows
from autocell.report.morning.text import print_morning
from autocell.report.morning.verdict import exit_code, explanation, headline, state, tally
from autocell.session.mornings import linked, look_back, morning_folder, write_morning
from autocell.trends.forecast import Forecast
from tests.morning.conftest import Told, at_seven
from tests.morning.invented import HELSINKI, Story, invented_nights

CALM = Story(nights=9, held=(), missed=(), quiet=(8,), cleaned=None, film=0.0, creep_m=0.0)


def in_terminal(morning: Morning, folder: Path = Path(), width: int = 120) -> str:
    console = Console(file=StringIO(), width=width)
    print_morning(morning, console, folder)
    assert isinstance(console.file, StringIO)
    return console.file.getvalue()


class Page(HTMLParser):
    """What is in a page: its text, and what it points at."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.text, self.targets, self.ids, self.open = "", [], [], []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag not in ("script", "link", "iframe")
        for name, value in attrs:
            if name in ("href", "src"):
                self.targets.append(str(value))
            if name == "id":
                self.ids.append(str(value))

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture(scope="module")
def page(thirty: Morning) -> str:
    """That of thirty nights."""
    return render(thirty)


def texts(morning: Morning) -> list[str]:
    return [piece.text for piece in advice(morning)]


def with_runs(morning: Morning, *runs: RunRecord) -> Morning:
    """The same morning with other runs in its night."""
    (*before, night) = morning.nights.nights
    nights = (*before, replace(night, runs=runs))
    return replace(morning, nights=replace(morning.nights, nights=nights))


def replaced(morning: Morning, outcome: Outcome) -> Morning:
    """The same morning with another outcome of its last run."""
    (*runs, last) = morning.runs
    summary = replace(last.summary, verdict=outcome.verdict)
    return with_runs(morning, *runs, replace(last, outcome=outcome, summary=summary))


def test_a_calm_night_needs_nothing(told: Told) -> None:
    morning = told(CALM)
    assert headline(morning) == "All is well: 62 passes stand as they were proved"
    assert texts(morning) == [NOTHING]
    assert (state(morning), exit_code(morning)) == ("success", 0)
    assert NOTHING in Page(render(morning)).text


def test_dirty_mirrors_are_to_be_cleaned_with_the_numbers_that_say_so(thirty: Morning) -> None:
    (text,) = [text for text in texts(thirty) if "mirrors" in text]
    found = re.fullmatch(
        r"Clean the mirrors: reflectivity fell (0\.\d+) ± (0\.\d+) in 21 nights, which costs "
        r"(\d\.\d) % of the light at 62 passes\.",
        text,
    )
    assert found is not None
    fell, u, lost = map(float, found.groups())
    assert abs(fell - 21 * Story().film) < 2.5 * u
    # (1 - x)^61 is 1 - 61 x and a little more
    assert lost == pytest.approx(100 * 61 * fell / 0.9866, abs=0.3)


def test_an_axis_that_runs_out_is_named_with_its_dates(thirty: Morning, page: str) -> None:
    (text,) = [text for text in texts(thirty) if text.startswith("Bring vertical back")]
    assert "reaches its upper end at 1.999 mm" in text
    assert text in Page(page).text
    assert "vertical" in in_terminal(thirty)


def test_a_missed_night_is_told_for_a_week(thirty: Morning, told: Told) -> None:
    assert "Find out why nothing ran on 20 November." in texts(thirty)
    long_ago = told(replace(CALM, nights=12, missed=(2,)))
    assert texts(long_ago) == [NOTHING]


def test_a_hung_run_is_an_alarm_until_it_is_seen_to_be_under_way(told: Told) -> None:
    morning = told(replace(CALM, hung=(8,), quiet=()))
    assert headline(morning) == "Hung: a run never said how it ended"
    assert exit_code(morning) == 5
    assert "never said how it ended" in texts(morning)[0]
    assert "wrote its last line at 22:00:1" in explanation(morning)
    run = morning.runs[-1].summary
    owned = replace(morning, under_way=run.id)
    assert headline(owned) == headline(morning), "a process that is there may hang too"
    busy = replace(owned, made=run.started_utc + timedelta(minutes=5))
    assert headline(busy) == "Under way: the first run of the night has not ended yet"
    assert texts(busy) == [NOTHING]
    assert "under way" in Page(render(busy)).text


def test_a_run_whose_process_was_told_to_end_is_an_alarm_until_somebody_goes_on(told: Told) -> None:
    morning = told(replace(CALM, told_to_end=(8,), quiet=()))
    assert headline(morning).startswith("Broken off: the process was told to end")
    assert exit_code(morning) == 5
    assert "was told to end at 22:00:" in explanation(morning)
    assert texts(morning)[0].startswith("Start the programme again")
    assert tally(morning.nights.nights).endswith("1 broken off")
    assert "broken off" in Page(render(morning)).text


@pytest.mark.parametrize(
    ("verdict", "begins", "code"),
    [
        (Verdict.HELD, "Held: 62 passes wanted, not proved", 4),
        (Verdict.FAILED, "Failed: 62 passes wanted, not proved", 5),
        (Verdict.DEGRADED, "Degraded: 62 passes proved, but", 3),
    ],
)
def test_a_night_that_did_not_end_well_says_so_and_why(
    verdict: Verdict, begins: str, code: int, told: Told
) -> None:
    outcome = Outcome(verdict, "the light came back too weak", wanted_passes=62, passes=62)
    morning = replaced(told(CALM), outcome)
    assert headline(morning).startswith(begins)
    assert exit_code(morning) == code
    assert "The light came back too weak." in Page(render(morning)).text
    if verdict is not Verdict.DEGRADED:
        assert any("Look at the bench" in text for text in texts(morning))


def test_the_cause_its_confidence_evidence_and_advice_are_told(told: Told) -> None:
    morning = told(replace(CALM, quiet=()))
    assert morning.outcome is not None
    assert morning.recovery is not None
    cause = Cause(
        CauseName.UNDETERMINED, 0.0, ("both fell together",),
        (CauseName.LASER, CauseName.WINDOW), "look at the laser and at the window",
    )  # fmt: skip
    recovery = replace(morning.recovery, cause=cause)
    morning = replaced(morning, replace(morning.outcome, recovery=recovery))
    for told_so in (Page(render(morning)).text, in_terminal(morning)):
        assert "undetermined" in told_so
        assert "laser, window or detector" in told_so
        assert "Both fell together." in told_so
        assert "Look at the laser and at the window." in told_so
    plain = as_json(morning)["recovery"]["cause"]
    assert (plain["name"], plain["confidence"]) == ("undetermined", 0.0)


@pytest.mark.parametrize(("sure", "said"), [(0.9, "0.9"), (0.9996, "0.999")])
def test_no_cause_is_certain(told: Told, sure: float, said: str) -> None:
    morning = told(replace(CALM, quiet=()))
    assert morning.outcome is not None
    assert morning.recovery is not None
    cause = Cause(CauseName.SPACING, sure, ("the plateau has moved",))
    recovery = replace(morning.recovery, cause=cause)
    morning = replaced(morning, replace(morning.outcome, recovery=recovery))
    assert f"spacing, with a confidence of {said}." in Page(render(morning)).text
    assert f"Probable cause: spacing (confidence {said})" in in_terminal(morning)


def test_before_after_and_reference_stand_beside_each_other(thirty: Morning) -> None:
    rows = {row.words: row for row in compared(thirty)}
    recovery = thirty.recovery
    assert recovery is not None
    assert recovery.before is not None
    assert recovery.after is not None
    reference, before, after = rows["Power out of the cell"].numbers
    assert reference == (recovery.reference.condition.power_w, 4e-6)
    assert before == (recovery.before.power_w, 4e-6)
    assert after == (recovery.after.power_w, 4e-6)
    assert rows["Temperature"].cells()[0] == "Temperature / °C"
    # two significant digits of the uncertainty (JCGM 100:2008, 7.2.6)
    assert re.fullmatch(r"3\.\d{4} ± 0\.0040", rows["Power out of the cell"].cells()[1])


def test_positions_before_are_of_the_moment_at_which_the_power_was_read(told: Told) -> None:
    morning = told(replace(CALM, quiet=()))
    (recovery,) = morning.runs
    assert recovery.outcome is not None
    changed = replace(
        recovery,
        summary=replace(recovery.summary, id="earlier", command="change"),
        stood={**recovery.stood, "spacing": recovery.stood["spacing"] + 5e-3},
        moves=(),
        outcome=replace(recovery.outcome, recovery=None),
    )
    rows = {row.words: row for row in compared(with_runs(morning, changed, recovery))}
    assert recovery.outcome.recovery is not None
    assert recovery.outcome.recovery.before is not None
    _, power, _ = rows["Power out of the cell"].numbers
    assert power == (recovery.outcome.recovery.before.power_w, 4e-6)
    _, spacing, _ = rows["Position of spacing"].numbers
    assert spacing is not None
    assert spacing[0] == recovery.stood["spacing"]


def test_what_an_earlier_recovery_has_left_is_not_told_as_the_end_of_the_night(told: Told) -> None:
    morning = told(replace(CALM, quiet=()))
    (recovery,) = morning.runs
    later = replace(
        recovery,
        summary=replace(recovery.summary, id="later", command="change"),
        outcome=Outcome(Verdict.FAILED, "the meter does not answer"),
        readings=(),
        moves=(),
    )
    rows = {row.words: row for row in compared(with_runs(morning, recovery, later))}
    for name in ("Power out of the cell", "Power over that of the reference", "Temperature"):
        _, before, after = rows[name].numbers
        assert before is not None
        assert after is None


def test_the_terminal_has_runs_events_and_origin_as_the_page_has(
    bench: BenchDescription, tmp_path: Path
) -> None:
    story = replace(CALM, nights=6, quiet=())  # samples are thrown away in the sixth night
    with invented_nights(tmp_path / "runs.sqlite", bench, story) as store:
        morning = look_back(store, bench, at_seven(story), HELSINKI)
        run = morning.runs[0].summary.id
        (tmp_path / "reports").mkdir()
        (tmp_path / "reports" / f"{run}.html").write_text("a report")
        page = write_morning(morning)
    shown = in_terminal(linked(morning, page), page.parent, width=60)  # narrower than a hash
    on_page = Page(page.read_text("utf-8")).text
    for text in (morning.bench.sha256, f"autocell {morning.version}", str(morning.store)):
        assert text in shown
        assert text in on_page
    (event,) = events(morning)
    assert "samples thrown away" in event
    assert event in shown
    assert event in on_page
    paths = [line.split(": ", 1)[1] for line in shown.splitlines()
             if line.startswith(("Data: ", "Report: "))]  # fmt: skip
    assert paths == [str(tmp_path / "reports" / f"{run}.html"), str(page.with_name(f"{run}.json"))]
    assert all(Path(path).exists() for path in paths)


def test_the_table_of_runs_is_the_same_in_the_terminal(thirty: Morning) -> None:
    shown = in_terminal(thirty, width=160)
    (row,) = run_rows(thirty)
    (line,) = [line for line in shown.splitlines() if thirty.runs[0].summary.id in line]
    assert line.split() == [*(cell for cell in row if cell), thirty.runs[0].summary.id]
    for head in RUNS_HEAD:
        assert head in shown


def test_a_check_beyond_its_limit_is_something_to_look_at_that_can_wait(told: Told) -> None:
    morning = told(replace(CALM, quiet=()))
    assert morning.outcome is not None
    assert morning.recovery is not None
    checks = (
        HealthCheck("dark level", 5e-6, 1e-6, "W", "the dark level is 5 µW"),
        HealthCheck("temperature", 1.0, 3.0, "K", "the temperature is 9 °C"),
    )
    recovery = replace(morning.recovery, health=checks, cause=None)
    (piece,) = advice(replaced(morning, replace(morning.outcome, recovery=recovery)))
    assert piece.text == "Look at the power meter and the room's light: the dark level is 5 µW."
    assert piece.can_wait


def test_what_moved_is_net_and_gross(thirty: Morning, bench: BenchDescription) -> None:
    rows = {row.axis.name: row for row in moved(thirty)}
    assert "horizontal" not in rows, "it stood still"
    spacing = rows["spacing"]
    moves = [move for run in thirty.runs for move in run.moves if move.axis == "spacing"]
    assert spacing.moves == len(moves) == 3
    assert spacing.net == pytest.approx(moves[-1].target - moves[0].start)
    assert spacing.gross == pytest.approx(sum(abs(m.target - m.start) for m in moves))
    assert spacing.net_all == pytest.approx(moves[-1].target - 0.02608, abs=1e-5)


def test_a_store_of_changes_only_is_compared_with_the_change_before(told: Told) -> None:
    morning = told(replace(CALM, recoveries=False, quiet=()))
    assert morning.recovery is None
    assert morning.reference is not None
    assert morning.reference.summary.id[:8] == "20261103"
    reference, _, after = next(iter(compared(morning))).numbers
    assert reference is not None
    assert after is not None
    assert headline(morning) == "All is well: 62 passes reached and proved"
    assert "The cause" not in render(morning)


def test_the_first_night_has_nothing_to_compare_with(told: Told) -> None:
    morning = told(Story(nights=1, held=(), missed=(), quiet=()))
    assert morning.reference is None
    page = Page(render(morning)).text
    assert "There is no earlier proof to compare with." in page
    assert "What changes" not in page


def test_an_empty_store_is_no_error(empty: Morning) -> None:
    assert headline(empty) == "Nothing to report: this bench has not had a run yet"
    assert exit_code(empty) == 0
    assert "Nothing to report" in Page(render(empty)).text
    assert "Nothing to report" in in_terminal(empty)
    assert as_json(empty)["night"] is None


def test_the_page_needs_nothing_from_outside(thirty: Morning, page: str) -> None:
    seen = Page(page)
    assert all(target.startswith(("#", "data:")) for target in seen.targets)
    assert len(set(seen.ids)) == len(seen.ids)
    assert "http" not in page
    assert "@import" not in page
    assert thirty.bench.sha256 in seen.text
    assert thirty.version in seen.text
    assert "An invented scenario" in seen.text
    assert "laser safety officer" in seen.text


def test_hostile_words_stay_words(told: Told) -> None:
    morning = told(replace(CALM, nights=3))
    assert morning.outcome is not None
    assert morning.recovery is not None
    bad = '<script>alert("x")</script>'
    cause = Cause(CauseName.KNOCK, 0.5, (bad,), (), bad)
    recovery = replace(morning.recovery, cause=cause)
    outcome = replace(morning.outcome, reason=bad, recovery=recovery)
    hostile = replace(replaced(morning, outcome), bench=replace(morning.bench, name=bad))
    shown = render(hostile)
    assert "<script" not in shown
    assert bad in Page(shown).text


def test_the_json_is_plain_and_says_what_the_page_says(thirty: Morning) -> None:
    plain = json.loads(json.dumps(as_json(thirty), allow_nan=False))
    assert plain["headline"] == headline(thirty)
    assert [piece["text"] for piece in plain["advice"]] == texts(thirty)
    assert plain["missed"] == ["2026-11-20"]
    assert plain["trends"]["reflectivity"]["found"] is True
    (ahead,) = plain["trends"]["position of vertical"]["forecasts"]
    assert ahead["nights_earliest"] < ahead["nights_middle"] < ahead["nights_latest"]
    assert len(plain["nights"]) == 30
    assert plain["compared"]["Power out of the cell"]["unit"] == "W"


def test_pages_are_kept_with_the_runs_of_the_night_beside_them(
    bench: BenchDescription, tmp_path: Path
) -> None:
    with invented_nights(tmp_path / "runs.sqlite", bench, replace(CALM, nights=2)) as store:
        morning = look_back(store, bench, at_seven(replace(CALM, nights=2)), HELSINKI)
        run = morning.runs[0].summary.id
        (tmp_path / "reports").mkdir()
        (tmp_path / "reports" / f"{run}.html").write_text("a report")
        page = write_morning(morning)
    folder = morning_folder(tmp_path / "runs.sqlite", bench)
    assert page == folder / "last-night.html"
    assert sorted(path.name for path in folder.iterdir()) == [
        "2026-10-28.html", f"{run}.json", "last-night.html",
    ]  # fmt: skip
    linked = [t for t in Page(page.read_text("utf-8")).targets if not t.startswith(("#", "data:"))]
    assert len(linked) == 2
    assert all((folder / target).resolve().exists() for target in linked)
    exported = json.loads((folder / f"{run}.json").read_text("utf-8"))
    assert exported


def test_a_night_ahead_is_a_date(thirty: Morning) -> None:
    last = thirty.nights.nights[-1].date
    assert (night_ahead(last, 7.9) - last).days == 7


def test_the_picture_in_the_documentation_is_of_this_page_and_says_that_it_is_invented() -> None:
    from tests.morning.picture import page

    drawn = Page(page())
    assert "An invented scenario" in drawn.text
    assert str(Path.cwd()) not in drawn.text, "nothing in it tells where it was made"
    documents = Path(__file__).parents[2] / "docs"
    alt, place = re.findall(
        r"!\[([^\]]*)\]\((pictures/morning\.png)\)",
        (documents / "unattended.md").read_text("utf-8"),
    )[0]
    assert "invented" in alt
    assert (documents / place).read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("earliest", "middle", "latest", "told_so"),
    [
        (0.0, 0.0, 0.0, "now"),
        (3.0, 5.2, 9.0, "30 Nov (28 Nov to 4 Dec)"),
        (5.1, 5.2, 5.3, "30 Nov"),
        (3.0, 5.2, None, "30 Nov (28 Nov or later)"),
        (3.0, None, None, "not before 28 Nov"),
    ],
)
def test_dates_say_what_is_known_of_them(
    earliest: float, middle: float | None, latest: float | None, told_so: str, thirty: Morning
) -> None:
    series = thirty.series[0]
    assert series.values[-1].date.isoformat() == "2026-11-25"
    assert between(series, Forecast(0.0, earliest, middle, latest, 87.0)) == told_so
