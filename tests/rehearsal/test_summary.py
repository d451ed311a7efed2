"""Campaigns made up by hand against numbers worked out by hand."""

from __future__ import annotations

import io
import json
from collections.abc import Callable

import pytest
from autocell_simulators.rehearsal.one import Guess, Rehearsal, Struck
from autocell_simulators.rehearsal.plan import Lost
from autocell_simulators.rehearsal.shares import share, upper_bound
from autocell_simulators.rehearsal.summary import (
    Fate,
    Survival,
    fate,
    reliability,
    summarise,
)
from autocell_simulators.rehearsal.summary_text import overnight, print_summary
from rich.console import Console

from autocell.outcome import Verdict

Make = Callable[..., Rehearsal]
HELD = {"verdict": Verdict.HELD, "proved": False, "passes": None, "true_passes": 6}


@pytest.mark.parametrize(
    ("different", "expected"),
    [
        ({}, Fate.REACHED_TRUE),
        ({"true_passes": 56}, Fate.WRONG),
        ({"true_passes": None}, Fate.WRONG),
        (HELD, Fate.HELD),
        ({**HELD, "proved": True}, Fate.HELD),  # a proof of where it no longer stands
        ({**HELD, "proved": True, "passes": 62}, Fate.WRONG),
        ({**HELD, "verdict": Verdict.FAILED}, Fate.FAILED),
        ({"verdict": Verdict.DEGRADED}, Fate.REACHED_TRUE),
    ],
)
def test_a_claim_that_is_not_true_is_wrong_whatever_it_is_called(
    make: Make, different: dict[str, object], expected: Fate
) -> None:
    assert fate(make(0, **different), 62) is expected


def test_bounds_are_those_of_clopper_and_pearson() -> None:
    # For none and for all of n the bounds have a closed form: (α/2)^(1/n) [exact]
    assert share(0, 200).high95 == pytest.approx(1.0 - 0.025 ** (1 / 200))
    assert share(0, 200).low95 == 0.0
    assert share(200, 200).low95 == pytest.approx(0.025 ** (1 / 200))
    # 10 of 100: 4.90 % to 17.62 %, as in every textbook table [mem]
    tenth = share(10, 100)
    assert (tenth.low95, tenth.high95) == pytest.approx((0.0490, 0.1762), abs=5e-5)


def test_nothing_in_n_bounds_the_probability_by_about_three_in_n() -> None:
    # Hanley & Lippman-Hand, JAMA 249, 1743 (1983): the rule of three [mem]
    assert upper_bound(0, 1000) == pytest.approx(3 / 1000, rel=0.005)
    assert upper_bound(0, 1000) == pytest.approx(1.0 - 0.05 ** (1 / 1000))  # [exact]
    # two-sided bounds leave half as much on each side and so lie further out
    assert upper_bound(3, 50) < share(3, 50).high95


def test_a_campaign_is_counted(make: Make) -> None:
    rehearsals = [
        make(0, readings=8),
        make(1, readings=9, bench_time_s=30.0),
        make(2, readings=12, true_passes=56),
        make(3, readings=30, **HELD),
        make(
            4, readings=None, moves=None, travel_m=None, bench_time_s=None, cpu_s=None,
            **{**HELD, "verdict": Verdict.FAILED, "true_passes": None, "limit_violations": None},
        ),
    ]  # fmt: skip
    summary = summarise(rehearsals, 62)
    counted = summary.as_json()
    assert (counted["benches"], counted["reached_true"]) == (5, 2)
    assert (counted["held"], counted["failed"], counted["wrong"]) == (1, 1, 1)
    # of 8, 9, 12, 30: half-way between the middle ones, and 0.85 of the way from 12 to 30
    assert counted["readings_median"] == 10.5
    assert counted["readings_p95"] == pytest.approx(27.3)
    # of 20, 20, 20, 30 s
    assert counted["bench_time_median_s"] == 20.0
    assert counted["bench_time_p95_s"] == pytest.approx(28.5)
    assert counted["travel_median_m"] == 0.040
    assert counted["failure_upper95"] == upper_bound(3, 5)
    assert counted["wrong_upper95"] == upper_bound(1, 5)
    assert counted["shares"]["held"]["share"] == 0.2


def test_the_worst_come_first_and_are_named_by_their_seeds(make: Make) -> None:
    rehearsals = [
        make(0, readings=40),
        make(1, **HELD, readings=12),
        make(2, readings=41),
        make(3, true_passes=56, readings=5),
        make(4, limit_violations=1, readings=4),
        make(5, verdict=Verdict.FAILED, proved=False, passes=None),
        make(6, **HELD, readings=13),
        *(make(index) for index in range(7, 20)),
    ]
    summary = summarise(rehearsals, 62)
    assert summary.as_json()["worst"] == [
        1004, 1003, 1005, 1006, 1001, 1002, 1000, 1007, 1008, 1009
    ]  # fmt: skip
    assert summary.limit_violations == 1


def test_claims_are_compared_with_the_share_that_was_true(make: Make) -> None:
    # 20 claims at 0.5: 95 % of binomial counts lie between 6 and 14 of 20, since
    # P(X ≤ 5) = 0.0207 and P(X ≤ 14) = 0.9793 (table of the binomial distribution) [mem]
    rehearsals = [
        make(index, claims=(Guess(0.5, 62, 62 if index < 5 else 56),)) for index in range(20)
    ]
    (row,) = reliability(rehearsals)
    assert (row.low, row.high, row.claims) == (0.4, 0.6, 20)
    assert (row.claimed, row.frequency) == (0.5, 0.25)
    assert (row.band_low, row.band_high) == pytest.approx((0.3, 0.7))
    assert not row.within


def test_a_bench_counts_once_a_bin_and_certainty_is_in_the_last(make: Make) -> None:
    claims = (
        Guess(0.65, 56, 62),
        Guess(0.75, 62, 62),
        Guess(0.8, 62, 62),
        Guess(1.0, 62, 62),
        Guess(0.9995, 62, 56),
    )
    rows = reliability([make(0, claims=claims)])
    assert [(row.low, row.high, row.claimed, row.frequency) for row in rows] == [
        (0.6, 0.8, 0.65, 0.0),
        (0.8, 0.9, 0.8, 1.0),
        (0.999, 1.0, 1.0, 1.0),
    ]


def test_margins_and_path_lengths_are_compared_where_the_count_was_reached(make: Make) -> None:
    rehearsals = [
        make(0),  # path 4 mm short of the truth, within 10 mm
        make(1, path_length_m=14.016),  # 12 mm long, outside
        make(2, path_length_m=14.005),  # 1 mm long
        make(3, true_passes=56, path_length_m=99.0, margin_low_m=9.0),
        make(4, **HELD, path_length_m=None, margin_low_m=None),
    ]
    summary = summarise(rehearsals, 62)
    covered, error = summary.path_length_covered, summary.path_length_error
    assert covered is not None
    assert error is not None
    assert (covered.count, covered.of) == (2, 3)
    assert error.median_m == pytest.approx(0.001)
    assert error.size_p95_m == pytest.approx(0.0112)  # of 1, 4, 12 mm: 0.9 of the way from 4 to 12
    assert summary.margin_low_error is not None
    assert summary.margin_low_error.median_m == pytest.approx(10e-6)
    assert summary.margin_high_error is not None
    assert summary.margin_high_error.median_m == pytest.approx(-20e-6)


def test_a_user_reads_how_often_a_night_may_fail(make: Make) -> None:
    sentence = overnight(summarise([make(index) for index in range(1000)], 62))
    assert "With 95 % confidence" in sentence
    assert "fails to end at 62 passes at most 0.30 % of the time (1 in 334)" in sentence
    assert "a real one can do more" in sentence


@pytest.mark.parametrize(
    ("held", "said"),
    [
        # of 200 with 15 held at most 11.35 % fail, of 200 with 10 held at most 8.33 % [calc]
        (10, "% of the time (1 in 11), and is left"),
        (15, "% of the time, and is left"),
    ],
)
def test_one_in_so_many_is_said_only_where_it_is_finer_than_the_percentage(
    make: Make, held: int, said: str
) -> None:
    rehearsals = [make(index, **HELD if index < held else {}) for index in range(200)]
    assert said in overnight(summarise(rehearsals, 62))


def printed(rehearsals: list[Rehearsal], lost: tuple[Lost, ...] = ()) -> str:
    text = io.StringIO()
    summary = summarise(rehearsals, 62, lost)
    print_summary(summary, ["again"] * len(summary.worst), Console(file=text, width=300))
    return text.getvalue()


def test_where_none_was_bad_none_is_called_the_worst(make: Make) -> None:
    assert "All were reached and true; those that took the most readings" in printed([make(0)])
    for bad in ({"limit_violations": 1}, HELD, {"true_passes": 56}):
        assert "The worst, and how" in printed([make(0), make(1, **bad)])


def test_benches_that_never_came_back_are_said_and_enter_no_bound(make: Make) -> None:
    rehearsals = [make(index) for index in range(20)]
    lost = (Lost(21, "its process died"), Lost(20, "its process died"))
    text = printed(rehearsals, lost)
    assert "Not counted, here or in any bound: 2 that never came back (number 20, 21)" in text
    assert "its process died" in text
    assert "never came back" not in printed(rehearsals)
    counted = summarise(rehearsals, 62, lost).as_json()
    assert counted["lost"] == [20, 21]
    assert counted["failure_upper95"] == upper_bound(0, 20)
    assert counted["benches"] == 20


def test_a_broken_limit_and_each_replay_are_printed(make: Make) -> None:
    text = io.StringIO()
    summary = summarise([make(0, limit_violations=2), make(1, claims=(Guess(0.5, 62, 6),))], 62)
    print_summary(summary, ["again --only 0", "again --only 1"], Console(file=text, width=120))
    assert "Limits were broken 2 times" in text.getvalue()
    assert "again --only 1" in text.getvalue()
    assert "0.4 to 0.6" in text.getvalue()


def test_survival_is_of_those_benches_that_a_fault_really_struck(make: Make) -> None:
    knock, stick = Struck("knock", 1), Struck("stick", 3)
    benches = [
        make(0),
        make(1, struck=(stick,)),
        make(2, struck=(stick, knock), **HELD),
        make(3, struck=(knock,), true_passes=56),
    ]
    summary = summarise(benches, 62)
    assert summary.survived == (Survival("knock", 2, 0, 1), Survival("stick", 2, 1, 2))
    text = io.StringIO()
    print_summary(summary, ["again"] * 4, Console(file=text, width=120))
    assert "struck 2 of 4: 1 reached and true all the same, 2 ended true" in text.getvalue()


def test_a_campaign_where_all_failed_has_no_costs_but_is_json(make: Make) -> None:
    lost = Rehearsal(0, 3, Verdict.FAILED, "its worker process died")
    summary = summarise([lost], 62)
    text = io.StringIO()
    print_summary(summary, ["again"], Console(file=text, width=120))
    assert "its worker process died" in text.getvalue()
    counted = json.loads(json.dumps(summary.as_json(), allow_nan=False))
    assert counted["readings_median"] is None
    assert counted["failure_upper95"] == 1.0


def test_there_is_no_summary_of_nothing() -> None:
    with pytest.raises(ValueError, match="no rehearsals"):
        summarise([], 62)
