"""What the morning report makes of a bench that ages steadily, against what is true of it.

The nights are played on a simulated bench by the procedures of every day, as far as the bench goes:
a night that is foretold is waited for.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from math import inf

import pytest

from autocell.outcome import Outcome, Verdict
from autocell.report.morning.advice import advice
from autocell.trends.forecast import Forecast
from autocell.trends.series import Series, pass_count
from tests.morning.season import FIRST_EVENING, Ageing, Played, Season, nights_since, reflectivity

FILM_PPM = 50.0
CREEP_UM, FILM_WHILE_IT_CREEPS_PPM = 8.0, 80.0
CREEP_FASTER_UM, FILM_THAT_IS_NOTICED_PPM = 14.0, 500.0
"""With so much of a film a recovery finds less light each night, and proves the pass count anew."""


@dataclass(frozen=True)
class Story:
    """A season with all its nights."""

    season: Season
    nights: list[Played]

    def named(self, name: str, after: Played) -> Series:
        """One quantity, on the morning after a night."""
        with self.season.morning(after.night) as morning:
            return next(series for series in morning.series if series.name == name)

    def advice(self, after: Played) -> list[str]:
        """What somebody should do, on the morning after a night."""
        with self.season.morning(after.night) as morning:
            return [piece.text for piece in advice(morning)]

    def fallen(self, after: Played) -> float:
        """By how much the reflectivity had fallen since the first evening, in truth."""
        return reflectivity(self.season.evening) - reflectivity(after.after)


def inside(ahead: Forecast, nights: float) -> bool:
    """Whether something happened, so many nights later, when it was foretold: known to a night."""
    latest = inf if ahead.latest is None else ahead.latest
    return ahead.earliest - 1.0 < nights < latest + 1.0


def played_until(over: Callable[[Outcome], bool], season: Season) -> Story:
    """A season up to the first night with such an outcome."""
    nights: list[Played] = []
    for played in season.play(30):
        nights.append(played)
        if over(played.outcome):
            break
    return Story(season, nights)


def not_proved(outcome: Outcome) -> bool:
    """Whether a night has no proof of its own."""
    return outcome.proof is None or not outcome.proof.proved


@pytest.fixture(scope="module")
def fading(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """A film grows and every night is recovered, until the first on which that takes moves."""
    season = Season(tmp_path_factory.mktemp("fading"), "recover: last", Ageing(film_ppm=FILM_PPM))
    return played_until(lambda outcome: outcome.moves > 0, season)


@pytest.fixture(scope="module")
def growing(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """The base grows and a film with it, and every night sets the pattern anew, until the first on
    which that cannot be proved: the stage ends where the plateau goes to."""
    ageing = Ageing(spacing_um=CREEP_UM, film_ppm=FILM_WHILE_IT_CREEPS_PPM)
    folder = tmp_path_factory.mktemp("growing")
    season = Season(folder, "change: 62", ageing, limits_mm={"spacing": (25.16, 50.0)})
    return played_until(not_proved, season)


@pytest.fixture(scope="module")
def recovered(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """A base that grows faster, every night of which is recovered, until the first that is held."""
    ageing = Ageing(spacing_um=CREEP_FASTER_UM, film_ppm=FILM_THAT_IS_NOTICED_PPM)
    folder = tmp_path_factory.mktemp("recovered")
    season = Season(folder, "recover: last", ageing, limits_mm={"spacing": (25.13, 50.0)})
    return played_until(lambda outcome: outcome.verdict is Verdict.HELD, season)


def test_nights_on_which_nothing_moved_tell_how_fast_the_light_falls(fading: Story) -> None:
    *calm, acted = fading.nights
    assert {played.outcome.verdict for played in calm} == {Verdict.UNCHANGED}
    assert acted.outcome.moves
    last = calm[-1]
    ratio = fading.named("ratio", last)
    assert len(ratio.values) == 1 + len(calm)
    assert ratio.trend.line is not None
    assert ratio.trend.found
    left = last.after["power_fraction"] / fading.season.evening["power_fraction"]
    truly = (left - 1.0) / (ratio.values[-1].night - ratio.values[0].night)
    assert abs(ratio.trend.line.slope - truly) < 2.0 * ratio.trend.line.slope_u
    assert ratio.trend.line.slope_u < 0.2 * abs(truly), "so that this says something"


def test_the_night_on_which_a_recovery_has_to_act_is_foretold(fading: Story) -> None:
    *calm, acted = fading.nights
    # in truth the light falls evenly: what the recovery moved cannot have made it cross later
    left = calm[-1].after["power_fraction"] / fading.season.evening["power_fraction"]
    lasts = 0.03 / (1.0 - left) * nights_since(FIRST_EVENING, calm[-1].night)
    foretold = [
        (played.night, ahead)
        for played in calm
        for _, ahead in fading.named("ratio", played).forecasts
        if ahead.middle is not None and ahead.middle > 0.0
    ]
    assert foretold, "before it happens"
    for night, ahead in foretold:
        assert inside(ahead, lasts - nights_since(FIRST_EVENING, night))
        assert inside(ahead, nights_since(night, acted.night))


def test_what_the_light_says_of_the_mirrors_is_told_as_long_as_it_is_not_known(
    fading: Story,
) -> None:
    last = fading.nights[-2]
    (text,) = [text for text in fading.advice(last) if "mirrors" in text]
    found = re.search(r"Were it the mirrors alone, .* fallen (0\.\d+) ± (0\.\d+);", text)
    assert found is not None
    fell, u = map(float, found.groups())
    assert abs(fell - fading.fallen(last)) < 2.0 * u
    assert "the laser taken out" in text
    assert "alignment, windows and detector look the same" in text


def test_a_month_in_which_nothing_had_to_be_proved_still_has_its_pass_count(
    fading: Story,
) -> None:
    with fading.season.morning(fading.nights[-2].night) as morning:
        (_, *calm) = morning.nights.nights
        assert pass_count(calm) == 62
        assert {run.summary.proved for night in calm for run in night.runs} == {False}


@pytest.mark.thorough
def test_the_plateau_goes_where_the_base_takes_it(growing: Story) -> None:
    *proved, held = growing.nights
    assert held.outcome.verdict is Verdict.HELD
    assert len(proved) > 10
    for name in ("middle of spacing", "low edge of spacing", "high edge of spacing"):
        line = growing.named(name, proved[-1]).trend.line
        assert line is not None
        assert abs(line.slope + 1e-6 * CREEP_UM) < 2.0 * line.slope_u, name
        assert line.slope_u < 0.1 * 1e-6 * CREEP_UM, name


@pytest.mark.thorough
def test_the_night_on_which_the_stage_is_too_short_for_a_proof_is_foretold(growing: Story) -> None:
    *proved, held = growing.nights
    assert "beyond the stage" in held.outcome.reason
    foretold = [
        (played.night, ahead)
        for played in proved
        for _, ahead in growing.named("low edge of spacing", played).forecasts
    ]
    assert len(foretold) > 4
    for night, ahead in foretold:
        assert inside(ahead, nights_since(night, held.night))
    for played in proved:
        ahead = growing.named("position of spacing", played).forecasts
        assert not ahead or ahead[0][1].earliest > 20.0, "the stage itself ends long after"
    (text,) = [text for text in growing.advice(proved[-1]) if text.startswith("Bring spacing")]
    assert "the lower edge of the plateau comes too close to the end of spacing" in text


@pytest.mark.thorough
def test_the_mirrors_are_to_be_cleaned_by_as_much_as_they_truly_lost(growing: Story) -> None:
    told = []
    for played in growing.nights[:-1]:
        for text in growing.advice(played):
            found = re.match(r"Clean the mirrors: reflectivity fell (\d\.\d+) ± (\d\.\d+) in", text)
            if found is not None:
                fell, u = map(float, found.groups())
                told.append(played)
                assert abs(fell - growing.fallen(played)) < 2.5 * u
    assert told, "a film of a thousandth is told"
    assert told[-1] is growing.nights[-2]


@pytest.mark.thorough
def test_recoveries_foretell_the_end_of_the_stage_from_the_edges_that_they_read(
    recovered: Story,
) -> None:
    *proved, held = recovered.nights
    assert held.outcome.verdict is Verdict.HELD
    for name in ("low edge of spacing", "high edge of spacing"):
        line = recovered.named(name, proved[-1]).trend.line
        assert line is not None
        assert abs(line.slope + 1e-6 * CREEP_FASTER_UM) < 2.0 * line.slope_u, name
        assert line.slope_u < 0.12 * 1e-6 * CREEP_FASTER_UM, name
    foretold = [
        (played.night, ahead)
        for played in proved[1:]  # the first finds the light as it was, and no edge
        for _, ahead in recovered.named("low edge of spacing", played).forecasts
    ]
    assert len(foretold) > 2
    for night, ahead in foretold:
        assert inside(ahead, nights_since(night, held.night))
