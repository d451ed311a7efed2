"""An instrument fails in the middle of a recovery: what was moved is moved back once it answers
again, and where it does not, everything is stopped and the reason says so."""

from __future__ import annotations

from typing import Any

import pytest
from autocell_simulators.bench import SimulatedBench

from autocell.outcome import Verdict
from tests.recovery.conftest import Morning, Night

KNOCK = {"fault": "knock", "percent": 40.0}
BESIDE = {"fault": "knock", "urad": 10000.0, "pivot_mm": 300.0}
"""The beam is beside the hole."""

REBUILDS_AT_S = 100.0
"""When it has been found, and the pattern is set anew."""

AWAY_FROM_S, AWAY_TO_S = 63.5, 70.0
"""While the beam is put back between its edges, after a minute of waiting."""


def failing(night: Night, fault: str, device: str, at_s: float = 66.3, **more: Any) -> Morning:
    """A knock, and an instrument that fails so long after the recovery has begun."""

    def spoil(bench: SimulatedBench) -> None:
        bench.begin(KNOCK, {"fault": fault, "device": device, "when": {"at_s": at_s}, **more})

    morning = night(spoil=spoil, hours=1.0)
    assert morning.outcome.verdict is Verdict.FAILED
    assert morning.outcome.proof is None
    assert morning.outcome.moves > 0
    assert morning.recovery.steps[-1].name == "re-centre"
    assert not morning.recovery.steps[-1].accepted
    assert morning.truth["limit_violations"] == 0
    return morning


def assert_undone(morning: Morning) -> None:
    """Every axis is where it was, by its controller and in truth."""
    assert morning.recovery.steps[-1].undone
    assert all(abs(axis.net) < 5e-6 for axis in morning.recovery.travel)
    assert any(axis.gross > 1e-4 for axis in morning.recovery.travel)


def assert_left(morning: Morning) -> None:
    """Nothing was moved back, and that is said."""
    assert not morning.recovery.steps[-1].undone
    assert "what was moved is not moved back" in morning.outcome.reason
    assert "every axis was told to stop" in morning.outcome.reason


@pytest.mark.parametrize("hears", [True, False])
@pytest.mark.parametrize("share", [0.05, 0.4, 0.45, 0.5, 0.8])
def test_a_controller_that_is_silent_for_a_while_has_its_axes_brought_back(
    share: float, hears: bool, night: Night
) -> None:
    at_s = AWAY_FROM_S + share * (AWAY_TO_S - AWAY_FROM_S)
    morning = failing(night, "silent", "motion", at_s, hears=hears, for_s=20.0)
    assert_undone(morning)
    assert morning.outcome.reason.endswith("back where it stood")
    before, after = morning.recovery.power_before, morning.recovery.power_after
    assert before is not None
    assert after is not None
    assert after.value == pytest.approx(before.value, abs=0.02)


def test_a_meter_that_is_silent_for_a_while_is_waited_for_where_the_bench_stood(
    night: Night,
) -> None:
    morning = failing(night, "silent", "meter", for_s=20.0)
    assert_undone(morning)
    assert morning.outcome.reason.endswith("back where it stood")


def test_a_meter_that_stays_silent_does_not_keep_the_axes_from_going_back(night: Night) -> None:
    morning = failing(night, "silent", "meter")
    assert_undone(morning)
    assert "back where it stood, where it could not be read" in morning.outcome.reason


@pytest.mark.parametrize("fault", ["silent", "disconnected"])
def test_a_controller_that_does_not_come_back_is_waited_for_a_minute_or_two(
    fault: str, night: Night
) -> None:
    morning = failing(night, fault, "motion")
    assert_left(morning)
    assert "vertical may still move" in morning.outcome.reason
    assert "which not all of them confirmed" in morning.outcome.reason
    assert morning.outcome.elapsed_s < 66.3 + 150.0


def test_a_controller_that_was_switched_off_is_not_moved_any_more(night: Night) -> None:
    morning = failing(night, "power-cycle", "motion")
    assert_left(morning)
    assert "its position is lost" in morning.outcome.reason


def test_an_axis_whose_switch_has_closed_is_left_where_it_is(night: Night) -> None:
    def spoil(bench: SimulatedBench) -> None:
        switch = {"fault": "limit-switch", "axis": "horizontal", "side": "high"}
        bench.begin(KNOCK, {**switch, "when": {"at_s": 66.3}})

    morning = night(spoil=spoil, hours=1.0)
    assert morning.outcome.verdict is Verdict.FAILED
    assert_left(morning)
    assert "horizontal" in morning.outcome.reason


@pytest.mark.thorough
def test_a_search_that_is_undone_with_the_step_after_it_is_not_kept(night: Night) -> None:
    def spoil(bench: SimulatedBench) -> None:
        silent = {"fault": "silent", "device": "meter", "for_s": 20.0}
        bench.begin(BESIDE, {**silent, "when": {"at_s": REBUILDS_AT_S}})

    morning = night(spoil=spoil, hours=1.0)
    assert morning.outcome.verdict is Verdict.FAILED
    search, rebuild = morning.recovery.steps[-2:]
    assert (search.name, rebuild.name) == ("search", "rebuild from six passes")
    assert not search.accepted
    assert search.undone
    assert all(abs(axis.net) < 5e-6 for axis in morning.recovery.travel)
    assert "mW after" in "; ".join(morning.cause.evidence)
    assert "moving brought light, and no proof" in morning.cause.evidence


def test_where_nothing_was_moved_nobody_is_waited_for(night: Night) -> None:
    def spoil(bench: SimulatedBench) -> None:
        bench.begin({"fault": "silent", "device": "meter", "when": {"at_s": 1.0}})

    morning = night(spoil=spoil, hours=1.0)
    assert morning.outcome.verdict is Verdict.FAILED
    assert morning.outcome.moves == 0
    assert "nothing had been moved" in morning.outcome.reason
    assert morning.outcome.elapsed_s < 30.0
