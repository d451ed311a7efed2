"""Dark level and temperature against the reference setting: told beyond a limit, moving nothing."""

from __future__ import annotations

import dataclasses

import pytest

from autocell.description import BenchDescription
from autocell.outcome import Verdict
from autocell.procedures.recovery.health import health
from autocell.recovery import CauseName, Condition, HealthCheck
from autocell.report import recovery_words
from tests.recovery.conftest import Night

THEN = Condition(3e-3, 6e-6, dark_w=1e-6, temperature_c=21.0, dark_u_w=3e-8)


def check(
    bench: BenchDescription, name: str, now: Condition, then: Condition = THEN
) -> HealthCheck | None:
    return next((found for found in health(bench, now, then) if found.name == name), None)


@pytest.fixture
def bench(watched: BenchDescription) -> BenchDescription:
    """Noise floor 0.5 µW, 0.2 µW of the dark level may be left, 2 K are nothing."""
    meter = dataclasses.replace(watched.meter, noise_floor_w=5e-7, dark_tolerance_w=2e-7)
    limits = dataclasses.replace(watched.recovery, temperature_within_k=2.0)
    return dataclasses.replace(watched, meter=meter, recovery=limits)


@pytest.mark.parametrize(
    ("change_w", "u_w", "within"),
    [
        # 3 sqrt(0.03² + 0.04²) + 0.2 = 0.35 µW
        (3.4e-7, 4e-8, True),
        (3.6e-7, 4e-8, False),
        (-3.4e-7, 4e-8, True),
        (-3.6e-7, 4e-8, False),
        # a run that did not keep it: 3 sqrt(0.03² + 0.5²) + 0.2 = 1.703 µW
        (1.69e-6, None, True),
        (1.72e-6, None, False),
    ],
)
def test_a_dark_level_may_change_by_what_noise_and_tolerance_explain(
    bench: BenchDescription, change_w: float, u_w: float | None, within: bool
) -> None:
    now = dataclasses.replace(THEN, dark_w=1e-6 + change_w, dark_u_w=u_w)
    found = check(bench, "dark level", now)
    assert found is not None
    assert found.within is within
    assert found.change == pytest.approx(change_w)
    assert ("more than" in found.statement) is not within


@pytest.mark.parametrize(("now_c", "within"), [(22.9, True), (23.1, False), (18.9, False)])
def test_a_temperature_is_told_with_its_limit(
    bench: BenchDescription, now_c: float, within: bool
) -> None:
    found = check(bench, "temperature", dataclasses.replace(THEN, temperature_c=now_c))
    assert found is not None
    assert found.within is within
    assert f"{now_c - 21.0:+.2f} K" in found.statement


def test_what_was_not_measured_is_not_compared(bench: BenchDescription) -> None:
    blind = Condition(3e-3, 6e-6)
    assert health(bench, blind, THEN) == health(bench, THEN, blind) == ()
    without_shutter = dataclasses.replace(bench, shutter=None)  # the level is assumed there
    assert check(without_shutter, "dark level", dataclasses.replace(THEN, dark_w=9e-6)) is None


def test_a_quiet_night_has_both_compared_and_within(night: Night) -> None:
    morning = night()
    assert {check.name for check in morning.recovery.health} == {"dark level", "temperature"}
    assert all(check.within for check in morning.recovery.health)


def test_light_that_the_shutter_does_not_keep_out_is_told_and_moves_nothing(night: Night) -> None:
    morning = night({"fault": "dark-offset", "nw": 5000.0})
    assert morning.outcome.verdict is Verdict.UNCHANGED
    assert morning.outcome.moves == 0
    (off,) = [check for check in morning.recovery.health if not check.within]
    assert off.name == "dark level"
    assert off.change == pytest.approx(5e-6, abs=off.limit)
    assert "the dark level is" in morning.outcome.reason
    assert dict(recovery_words.rows(morning.recovery))["Dark level"] == off.statement


def test_a_cold_morning_is_in_the_evidence_and_beyond_its_limit_in_the_reason(night: Night) -> None:
    cold = {"fault": "room-temperature", "night_k": -5.0, "cycle_k": 0.0}
    faded = {"fault": "laser-drift", "percent": 30.0, "period_h": 16.0}
    morning = night(cold, faded)
    assert morning.cause.name is CauseName.LASER
    (temperature,) = [text for text in morning.cause.evidence if "temperature" in text]
    assert "beyond 3 K" in temperature
    assert temperature in morning.outcome.reason
    assert not any("dark level" in text for text in morning.cause.evidence)
    assert morning.outcome.moves == 0
