"""A recovery in words: what was compared, tried, moved and found."""

from __future__ import annotations

from autocell.outcome import Outcome, Verdict
from autocell.recovery import (
    AxisTravel,
    Cause,
    CauseName,
    Condition,
    Ratio,
    Recovery,
    Reference,
    StepTried,
)
from autocell.report import recovery_words, words

THEN = Condition(3.1e-3, 6e-6, temperature_c=21.0)
RECOVERY = Recovery(
    Reference("20261125-2202-01", 62, 0.4, THEN, 112.0),
    before=Condition(2.8e-3, 6e-6, temperature_c=19.5),
    power_before=Ratio(0.903, 0.003),
    margin_nights_left=111.6,
    cause=Cause(
        CauseName.UNDETERMINED, 0.0, ("seen",), (CauseName.LASER, CauseName.WINDOW), "look"
    ),
    steps=(
        StepTried("re-centre", "between the edges", Ratio(0.903, 0.003), None, None, False, True,
                  12, 20, 0.03, 40.0),
    ),
    travel=(AxisTravel("spacing", "mm", -1e-5, 0.03), AxisTravel("pitch", "mrad", 0.0, 0.0)),
    retries=2,
    communication_errors=1,
)  # fmt: skip


def test_what_cannot_be_told_apart_is_said() -> None:
    rows = dict(recovery_words.rows(RECOVERY))
    assert rows["Cause"] == "undetermined; this bench cannot tell apart: laser, window or detector"
    assert rows["Power before"] == "0.9030 ± 0.0030 of the reference"
    assert rows["Power after"] == "not known"
    assert rows["Temperature"] == "19.50 °C, -1.50 K since"
    assert rows["Moved"] == "spacing -0.010 mm (30.00 in all)"
    assert rows["Asked again"] == "2 times, 1 communication error"
    assert "Laser" not in rows


def test_a_named_cause_comes_with_its_probability() -> None:
    assert recovery_words.cause_in_words(Cause(CauseName.KNOCK, 0.95, ())) == (
        "knock, probability 0.95"
    )


def test_each_step_has_a_row_under_the_head() -> None:
    (row,) = recovery_words.step_rows(RECOVERY.steps)
    assert len(row) == len(recovery_words.STEP_HEAD)
    assert row[0] == "re-centre"
    assert row[3] == "no, undone"


def test_an_unchanged_bench_is_headed_by_what_proved_it() -> None:
    outcome = Outcome(Verdict.UNCHANGED, "as it was", wanted_passes=62, recovery=RECOVERY)
    assert words.headline(outcome) == "Unchanged since run 20261125-2202-01 proved 62 passes"
