"""What the trends of invented nights ask for."""

from __future__ import annotations

from dataclasses import replace

from autocell.bench.file import load, shipped
from autocell.procedures.edges import EDGE_ROOM_M
from autocell.recovery import Cause, CauseName
from autocell.report.morning.advice import advice
from autocell.report.morning.morning import Morning
from autocell.report.morning.rows import trend_rows
from autocell.trends.series import Series
from tests.morning.conftest import Told
from tests.morning.invented import Story

STEADY = Story(
    nights=16,
    held=(),
    missed=(),
    quiet=(),
    cleaned=None,
    film=0.0,
    creep_m=0.0,
    spacing_creep_m=0.0,
)


def texts(morning: Morning) -> list[str]:
    return [piece.text for piece in advice(morning)]


def named(morning: Morning, name: str) -> Series:
    return next(series for series in morning.series if series.name == name)


def with_cause(morning: Morning, cause: Cause) -> Morning:
    """The same morning, whose last recovery has named a cause."""
    (*before, night) = morning.nights.nights
    (*runs, last) = night.runs
    assert last.outcome is not None
    assert last.outcome.recovery is not None
    outcome = replace(last.outcome, recovery=replace(last.outcome.recovery, cause=cause))
    changed = replace(night, runs=(*runs, replace(last, outcome=outcome)))
    return replace(morning, nights=replace(morning.nights, nights=(*before, changed)))


def on_a_stage_from(low_m: float, morning: Morning) -> Morning:
    """The same morning of a bench whose stage begins there."""
    spacing = replace(morning.bench.axes["spacing"], low=low_m)
    bench = replace(morning.bench, axes={**morning.bench.axes, "spacing": spacing})
    return replace(morning, bench=bench)


def test_a_stage_ends_where_the_edge_of_the_plateau_can_no_longer_be_read(told: Told) -> None:
    morning = on_a_stage_from(24.85e-3, told(replace(STEADY, spacing_creep_m=-20e-6)))
    low, _ = morning.bench.reach("spacing")
    edge = named(morning, "low edge of spacing")
    ((limit, ahead),) = edge.forecasts
    assert limit.value == low + EDGE_ROOM_M
    half, narrower = 0.67e-3, 0.004 * 0.67e-3
    truly = (26.08e-3 - half - limit.value) / (20e-6 - narrower) - edge.values[-1].night
    assert ahead.latest is not None
    assert ahead.earliest < truly < ahead.latest
    assert ahead.latest < 20.0
    ((_, of_position),) = named(morning, "position of spacing").forecasts
    assert of_position.earliest > ahead.latest, "the stage itself ends later"
    (text,) = [text for text in texts(morning) if text.startswith("Bring spacing back")]
    assert "the lower edge of the plateau comes too close to the end of spacing" in text
    rows = [row[0] for row in trend_rows(morning)]
    assert "Plateau's lower edge, spacing / mm" in rows
    assert "Plateau's upper edge, spacing / mm" not in rows, "it runs out of nothing"


def test_of_margins_the_one_that_is_gone_first_is_told(told: Told) -> None:
    morning = told(replace(STEADY, nights=24, narrowing=0.03))
    margin = named(morning, "margin of spacing")
    ((_, ahead),) = margin.forecasts
    # 0.67 mm are 112 nights of 6 micrometres; of the first width 3 % go in a night
    truly = (1.0 - 1.0 / (0.67e-3 / 6e-6)) / 0.03 - margin.values[-1].night
    assert ahead.latest is not None
    assert ahead.earliest < truly < ahead.latest
    aligned = [text for text in texts(morning) if text.startswith("Align the mirrors before")]
    (text,) = aligned
    assert "the plateau narrows along spacing" in text
    assert "less than one night of drift is left" in text


def test_nights_that_set_the_pattern_anew_have_light_and_no_limit_to_it(told: Told) -> None:
    morning = told(replace(STEADY, recoveries=False))
    ratio = named(morning, "ratio")
    assert len(ratio.values) == 16
    assert ratio.values[-1].value == 1.0, "the last is what the next is compared with"
    assert ratio.limits == ()
    assert ratio.words == "Light over that of the reference, the laser taken out"


def test_light_that_a_window_loses_is_not_put_down_to_the_mirrors(told: Told) -> None:
    morning = told(replace(STEADY, window=0.003, recoveries=False))
    assert not any("the mirrors: reflectivity fell" in text for text in texts(morning))
    (text,) = [text for text in texts(morning) if text.startswith("Find out where light is lost")]
    assert "at 62 passes it fell by 4." in text
    assert "the laser taken out" in text
    assert "Were it the mirrors alone" in text
    assert "alignment" not in text, "every night has set it anew"


def test_what_to_do_about_light_is_told_once(told: Told) -> None:
    morning = told(replace(STEADY, window=0.003, film=0.0))
    cause = Cause(CauseName.UNDETERMINED, 0.0, ("it fell",), (), "look at mirrors and window")
    found = texts(with_cause(morning, cause))
    assert "Look at mirrors and window." in found
    assert any(text.startswith("The light goes on falling: at 62 passes") for text in found)
    assert not any("Find out where light is lost" in text for text in found)


def test_nobody_is_told_to_do_nothing_and_something(told: Told) -> None:
    hint = "No action needed; look at the room if it happens again."
    cause = Cause(CauseName.UNDETERMINED, 0.0, ("it came back",), (), hint.lower().strip("."))
    assert texts(with_cause(told(STEADY), cause)) == [hint]
    falling = texts(with_cause(told(replace(STEADY, window=0.003)), cause))
    assert hint not in falling
    assert any(text.startswith("The light goes on falling") for text in falling)


def test_mirrors_that_a_recovery_has_named_are_told_once_with_their_numbers(
    thirty: Morning, told: Told
) -> None:
    cause = Cause(CauseName.MIRRORS, 0.99, ("it grows with the passes",), (), "clean the mirrors")
    (text,) = [text for text in texts(with_cause(thirty, cause)) if "lean the mirrors" in text]
    assert "reflectivity fell 0.00" in text
    few = told(replace(STEADY, nights=3))
    assert texts(with_cause(few, cause)) == ["Clean the mirrors."], "three nights make no trend"


def test_a_bench_file_without_a_reference_meter_says_that_the_laser_is_in_it(told: Told) -> None:
    morning = told(replace(STEADY, window=0.003, recoveries=False))
    unwatched = load(shipped("peat-bog"))
    assert unwatched.reference_meter is None
    nights = tuple(
        replace(
            night,
            runs=tuple(
                replace(
                    run,
                    outcome=replace(
                        run.outcome,
                        condition=replace(
                            run.outcome.condition, reference_w=None, reference_u_w=None
                        ),
                    ),
                )
                for run in night.runs
                if run.outcome is not None and run.outcome.condition is not None
            ),
        )
        for night in morning.nights.nights
    )
    blind = replace(morning, bench=unwatched, nights=replace(morning.nights, nights=nights))
    (text,) = [text for text in texts(blind) if text.startswith("Find out where light is lost")]
    assert "the laser taken out" not in text
    assert "laser, windows and meter look the same as yet" in text
