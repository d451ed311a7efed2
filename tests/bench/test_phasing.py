"""Phases have no ends: what counts, what it comes to, and with what uncertainty."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autocell.bench.clock import VirtualClock
from autocell.bench.phasing import Phase, Phasing, wrapped
from autocell.description import DelayMeterDescription
from autocell.errors import ReadingError, Stopped

DESCRIPTION = DelayMeterDescription(
    device="phase",
    section={},
    modulation_hz=80e6,
    averaging_s=0.1,
    noise_rad=5e-3,
    systematic_rad=10e-3,
)
NAN = math.nan


class ScriptedPhases:
    """Gives the phases it was given, then the last one for ever."""

    name = "delay_meter"
    reading_time_s = 0.1

    def __init__(self, answers: list[float]) -> None:
        self._answers = answers

    def read(self) -> float:
        return self._answers.pop(0) if len(self._answers) > 1 else self._answers[0]


class Lab:
    """A phasing over scripted phases, and what it told."""

    def __init__(self, answers: list[float], stop_at_check: int | None = None) -> None:
        self.told: list[str] = []
        self.clock = VirtualClock()
        self._checks = 0
        self._stop_at_check = stop_at_check
        self._phasing = Phasing(
            DESCRIPTION, ScriptedPhases(answers), self.clock, self._check, self.told.append
        )

    def read(self) -> Phase:
        return self._phasing.read()

    def _check(self) -> None:
        self._checks += 1
        if self._checks == self._stop_at_check:
            raise Stopped("test")


def noisy(mean_rad: float, count: int, seed: int = 1) -> list[float]:
    rng = np.random.default_rng(seed)
    return [float(phase) for phase in mean_rad + 5e-3 * rng.standard_normal(count)]


def test_an_angle_is_wrapped_to_half_a_turn_either_way() -> None:
    assert wrapped(0.0) == 0.0
    assert wrapped(3.0 * math.pi + 0.25) == pytest.approx(-math.pi + 0.25)
    assert wrapped(-2.0 * math.pi - 0.25) == pytest.approx(-0.25)
    assert wrapped(math.pi) == -math.pi


@pytest.mark.parametrize("mean_rad", [0.0, 1.2, math.pi, -math.pi, 3.1402])
def test_the_mean_is_right_also_where_the_circle_is_cut(mean_rad: float) -> None:
    answers = [float(wrapped(phase)) for phase in noisy(mean_rad, 20)]
    phase = Lab(answers).read()
    assert abs(float(wrapped(phase.phase_rad - mean_rad))) < 4.0 * phase.uncertainty_rad
    assert phase.uncertainty_rad < 3e-3


def test_samples_on_both_sides_of_the_cut_agree() -> None:
    phase = Lab([math.pi - 0.002, -math.pi + 0.003, math.pi - 0.001, -math.pi + 0.001] * 5).read()
    assert phase.samples == 9
    assert abs(float(wrapped(phase.phase_rad - math.pi))) < 0.002
    assert phase.uncertainty_rad == pytest.approx(5e-3 / 3.0)


def test_the_stated_uncertainty_covers_the_truth_as_often_as_it_should() -> None:
    """A standard uncertainty of a normal mean covers 68 %, twice of it 95 % (GUM, G.1.3)."""
    errors = []
    for seed in range(400):
        phase = Lab(noisy(1.0, 20, seed)).read()
        errors.append((phase.phase_rad - 1.0) / phase.uncertainty_rad)
    assert np.mean(np.abs(errors) < 1.0) > 0.66
    assert np.mean(np.abs(errors) < 2.0) > 0.93


def test_quiet_samples_never_claim_less_than_the_meter_is_known_for() -> None:
    phase = Lab([0.100001, 0.100002] * 10).read()
    assert phase.uncertainty_rad == pytest.approx(5e-3 / math.sqrt(phase.samples))


def test_an_outlier_is_left_out_and_told() -> None:
    lab = Lab([*noisy(1.0, 2), 2.5, *noisy(1.0, 20, seed=2)])
    phase = lab.read()
    assert phase.phase_rad == pytest.approx(1.0, abs=0.01)
    assert phase.samples == 8
    assert lab.told == ["1 of 9 phases were outliers and left out"]


def test_phases_that_contradict_each_other_are_refused() -> None:
    rng = np.random.default_rng(5)
    cluster = noisy(0.0, 6)
    anywhere = [float(phase) for phase in rng.uniform(1.0, 3.0, 3)]
    with pytest.raises(ReadingError, match="3 of 9 phases disagree"):
        Lab([*cluster, *anywhere]).read()


def test_what_is_no_number_is_thrown_away_and_told() -> None:
    lab = Lab([NAN, math.inf, *noisy(1.0, 20)])
    assert lab.read().phase_rad == pytest.approx(1.0, abs=0.01)
    assert lab.told == ["phases thrown away: not a number, not a number"]


def test_a_meter_without_light_ends_in_a_reading_error_with_the_cure() -> None:
    lab = Lab([NAN])
    with pytest.raises(ReadingError, match="no phase 8 times in a row; is the modulation on"):
        lab.read()
    assert lab.clock.now() < 2.0


def test_the_same_phase_for_ever_is_stale_and_few_digits_are_not() -> None:
    with pytest.raises(ReadingError, match="same phase 8 times; is it on hold"):
        Lab([1.234567]).read()
    assert Lab([0.12]).read().phase_rad == pytest.approx(0.12)


def test_a_stop_between_samples_ends_the_reading() -> None:
    with pytest.raises(Stopped):
        Lab(noisy(1.0, 20), stop_at_check=4).read()
