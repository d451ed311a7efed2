"""The way back on a bench whose steering axes count unequal steps: by the light that was there."""

from __future__ import annotations

import pytest

from autocell.outcome import Verdict
from autocell.procedures.by_signal import Back, back_home
from autocell.procedures.light_search import Light, LightSearch
from autocell.procedures.survey import survey
from tests.motion.stepping import Stepping, drives, opened, stepping

SOMEWHERE = {"pitch": 6e-3, "yaw": -5e-3}


def there_and_back(standing: Stepping, *, light: float = 1.0) -> tuple[Back, float]:
    """Away, back home by what is believed and by the light; the power before."""
    bench = standing.bench
    before = bench.read_power("the start")
    bench.move_axes(SOMEWHERE, "away")
    bench.move_axes({"pitch": 1e-3, "yaw": 2e-3}, "and about")
    return back_home(bench, Light(light * before.power_w, before.uncertainty_w)), before.power_w


@pytest.mark.parametrize("seed", range(3))
def test_the_light_brings_back_what_the_count_leaves_beside_the_start(seed: int) -> None:
    with opened(drives(), stepping(steps=None), seed=seed) as standing:
        there_and_back(standing)
        by_count = standing.off()
    with opened(drives(), seed=seed) as standing:
        back, before_w = there_and_back(standing)
        assert back.as_before is True
        assert back.reading.power_w == pytest.approx(before_w, rel=0.012)
        assert standing.off() < 0.5 * by_count
        # from then on the start is where the light says that it is
        assert standing.bench.setting == standing.bench.home_setting
        assert standing.truth()["limit_violations"] == 0


@pytest.mark.parametrize("seed", range(3))
def test_axes_of_different_steps_come_back_to_the_light_and_may_stand_elsewhere_in_it(
    seed: int,
) -> None:
    with opened(drives(pitch=25.0, yaw=5.0), seed=seed) as standing:
        back, before_w = there_and_back(standing)
        assert back.as_before is True
        assert back.reading.power_w == pytest.approx(before_w, rel=0.012)
        # where in that light is no surer than the steps that led there
        assert standing.off() < 2.5 * max(standing.bench.open_loop.u.values())


def test_scatter_and_dead_steps_do_not_keep_it_from_coming_back() -> None:
    faults = [
        f"{{fault: {fault}, axis: {axis}}}"
        for fault in ("step-scatter", "dead-steps")
        for axis in ("pitch", "yaw")
    ]
    with opened(drives(faults=faults)) as standing:
        back, before_w = there_and_back(standing)
        assert back.as_before is True
        assert back.reading.power_w == pytest.approx(before_w, rel=0.012)


def test_equal_steps_need_no_search() -> None:
    with opened(drives(pitch=0.0, yaw=0.0)) as standing:
        back, _ = there_and_back(standing)
        assert back.as_before is True
        assert "back at the start, reading" in back.words
        assert standing.off() < 5e-5


def test_light_that_is_nowhere_to_be_found_is_said_to_be_missing() -> None:
    with opened(drives()) as standing:
        bench = standing.bench
        back, _ = there_and_back(standing, light=3.0)
        assert back.as_before is False
        assert "by the count of its steps alone" in back.words
        assert "pitch, yaw may stand beside it" in back.words
        assert bench.usage.readings < 50


def test_an_axis_that_sees_where_it_is_comes_back_as_ever() -> None:
    with opened(drives(pitch=0.0, yaw=0.0), share=None) as standing:
        bench = standing.bench
        before = bench.read_power("the start")
        bench.move_axes({"spacing": bench.positions()["spacing"] - 1e-4}, "a little closer")
        back = back_home(bench, Light(2.0 * before.power_w, before.uncertainty_w))
        assert back.as_before is None  # no other axis has moved: nothing is searched


def test_a_survey_that_does_not_find_its_start_again_is_held() -> None:
    with opened(drives(), share=None) as standing:
        bench = standing.bench
        at_m = bench.setting.spacing_m
        outcome = survey(bench, [at_m, at_m + 2e-4]).outcome
        assert outcome.verdict is Verdict.UNCHANGED
        assert "back at the start" in outcome.reason


def test_light_is_looked_for_no_further_than_the_steps_may_have_missed_by() -> None:
    with opened(drives(), share=None) as standing:
        bench = standing.bench
        bench.move_axes({"pitch": 3e-3}, "away")
        bench.move_axes({"pitch": 0.0}, "and back")
        here, home, u = bench.read_power("here"), bench.positions()["pitch"], bench.open_loop.u
        missing = Light(3.0 * here.power_w, here.uncertainty_w)
        search = LightSearch(bench, bench.setting, missing, ("pitch",), here)
        # a plateau tells it nothing, so that every step is longer than the one before
        search._between((0.75,), (0.0,), -1.0, -1.0)
        assert abs(bench.positions()["pitch"] - home) < 2.3 * u["pitch"]
        assert search.readings < 12
