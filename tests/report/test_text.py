"""Words and tables for the terminal."""

from __future__ import annotations

from dataclasses import replace
from io import StringIO

import pytest
from rich.console import Console

from autocell.outcome import Outcome, Verdict
from autocell.records import RunRecord
from autocell.report import print_history, print_outcome, words


@pytest.fixture
def console() -> Console:
    return Console(file=StringIO(), width=88, force_terminal=False)


def printed(console: Console) -> str:
    assert isinstance(console.file, StringIO)
    return console.file.getvalue()


def test_the_outcome_is_told_with_its_evidence(console: Console, run: RunRecord) -> None:
    assert run.outcome is not None
    print_outcome(run.outcome, console)
    text = printed(console)
    assert "Reached 62 passes, proved" in text
    assert "14.6533 ± 0.0022 m (k = 2)" in text
    assert "0.575 mm" in text
    assert text.count("holds") == 5
    assert run.summary.id in text


def test_what_is_not_known_is_said_to_be_not_known(console: Console) -> None:
    print_outcome(Outcome(Verdict.FAILED, "The meter was silent.", wanted_passes=62), console)
    text = printed(console)
    assert "Failed: 62 passes wanted, not proved" in text
    assert text.count("not known") == 6


def test_brackets_in_a_message_are_printed_as_they_are(console: Console) -> None:
    print_outcome(Outcome(Verdict.HELD, "limits_mm: [0, 50] [bold]"), console)
    assert "[0, 50] [bold]" in printed(console)


def test_history_marks_unproved_and_unfinished_runs(console: Console, run: RunRecord) -> None:
    summary = run.summary
    print_history(
        [
            replace(summary, id="c", verdict=None, finished_utc=None, passes=None, proved=False),
            replace(summary, id="b", verdict=Verdict.HELD, passes=56, proved=False),
            summary,
        ],
        console,
    )
    lines = printed(console).splitlines()
    assert "not finished" in lines[1]
    assert "56?" in lines[2]
    assert "held" in lines[2]
    assert summary.id in lines[3]
    assert "62?" not in lines[3]


def test_an_empty_history_says_so(console: Console) -> None:
    print_history([], console)
    assert printed(console) == "No runs yet.\n"


@pytest.mark.parametrize("verdict", list(Verdict))
def test_every_verdict_has_words(verdict: Verdict) -> None:
    outcome = Outcome(verdict, "", wanted_passes=62, passes=56)
    assert words.headline(outcome).lower().startswith(verdict.value)
    assert verdict.meaning.endswith(".")


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        # JCGM 100:2008, 7.2.2: a mass of 100,021 47 g with a standard uncertainty of 0,35 mg.
        (100.021468, 0.000351, ("100.02147", "0.00035")),
        # JCGM 100:2008, H.1.7: a gauge block of 50,000 838 mm with U = 93 nm.
        (50.0008382, 0.000093, ("50.000838", "0.000093")),
        (14.65331, 0.00996, ("14.653", "0.010")),
        (1234.5, 56.0, ("1234", "56")),
    ],
)
def test_values_are_rounded_to_two_digits_of_their_uncertainty(
    value: float, uncertainty: float, expected: tuple[str, str]
) -> None:
    assert words.with_uncertainty(value, uncertainty) == expected


def test_a_probability_never_rounds_to_certainty() -> None:
    assert words.probability(1 - 1e-6) == "> 0.9999"
    assert words.probability(0.99981) == "0.9998"
    assert words.probability(7.3e-5) == "0.00007"
    assert words.probability(0.0) == "< 0.000000001"


def test_a_share_says_all_only_where_all_are_meant() -> None:
    assert words.share(1.0) == "100 %"
    assert words.share(1999 / 2000) == "99.9 %"
    assert words.share(0.0314) == "3.1 %"
    assert words.share(1e-6) == "0.1 %"


@pytest.mark.parametrize(
    ("reason", "sentence"),
    [
        ("set between the plateau's edges", "Set between the plateau's edges."),
        ("The meter was silent.", "The meter was silent."),
        ("caps.readings: the cap is reached", "caps.readings: the cap is reached."),
        ("/dev/ttyUSB0 has gone", "/dev/ttyUSB0 has gone."),
    ],
)
def test_a_reason_becomes_a_sentence_but_keys_and_addresses_stay(
    reason: str, sentence: str
) -> None:
    assert words.sentence(reason) == sentence
