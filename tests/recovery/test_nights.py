"""A night goes by: the least that restores the pattern, and the cause that the bench can tell.

What happens is drawn by the simulator with the usual magnitudes [trade]; what is claimed is held
against its own account.
"""

from __future__ import annotations

import dataclasses

import pytest
from autocell_simulators.bench import SimulatedBench

from autocell.description import BenchDescription
from autocell.outcome import Outcome, Verdict
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.recovery import CauseName
from tests.recovery.conftest import PASSES, Night

DRIFT = (
    {"fault": "room-temperature"},
    {"fault": "spacing-expansion"},
    {"fault": "mount-tilt"},
    {"fault": "launch-pointing"},
    {"fault": "creep"},
)


def test_a_night_of_drift_needs_nothing_and_nothing_is_done(night: Night) -> None:
    morning = night(*DRIFT)
    outcome, recovery = morning.outcome, morning.recovery
    assert outcome.verdict is Verdict.UNCHANGED
    assert outcome.verdict.exit_code == 0
    assert outcome.moves == 0
    assert morning.truth["passes"] == PASSES
    assert recovery.cause is None
    assert recovery.steps == ()
    assert all(axis.net == axis.gross == 0.0 for axis in recovery.travel)
    assert recovery.before is not None
    assert recovery.before.temperature_c is not None
    # nothing is claimed that this run did not prove
    assert outcome.passes is None
    assert outcome.proof is None
    assert outcome.wanted_passes == PASSES


def test_a_laser_that_fades_moves_nothing_where_a_reference_meter_sees_it(night: Night) -> None:
    morning = night({"fault": "laser-drift", "percent": 30.0, "period_h": 16.0})
    assert morning.outcome.verdict is Verdict.UNCHANGED
    assert morning.outcome.moves == 0
    assert morning.cause.name is CauseName.LASER
    laser = morning.recovery.laser
    assert laser is not None
    assert laser.value == pytest.approx(0.7, abs=0.02)
    assert morning.recovery.power_before is not None
    assert morning.recovery.power_before.value == pytest.approx(1.0, abs=0.02)


def test_what_comes_back_by_itself_is_waited_for(night: Night) -> None:
    def spoil(bench: SimulatedBench) -> None:
        bench.begin({"fault": "knock", "percent": 50.0, "for_s": 40.0})

    morning = night(spoil=spoil)
    assert morning.outcome.verdict is Verdict.UNCHANGED
    assert morning.outcome.moves == 0
    assert [step.name for step in morning.recovery.steps] == ["look again"]
    assert morning.cause.name is CauseName.UNDETERMINED


def test_without_a_laser_nothing_moves_where_a_reference_meter_sees_it(night: Night) -> None:
    def laser_off(bench: SimulatedBench) -> None:
        bench.laser_on = False

    seen = night(spoil=laser_off)
    assert seen.outcome.verdict is Verdict.HELD
    assert seen.outcome.moves == 0
    assert seen.cause.name is CauseName.LASER


def test_a_controller_that_lost_its_positions_holds_everything(night: Night) -> None:
    morning = night({"fault": "power-cycle"})
    assert morning.outcome.verdict is Verdict.HELD
    assert morning.outcome.verdict.exit_code == 4
    assert "home the axis at its controller" in morning.outcome.reason
    assert morning.outcome.moves == 0
    assert morning.truth["passes"] == PASSES


def test_dirty_mirrors_are_told_by_a_second_plateau(night: Night) -> None:
    morning = night({"fault": "mirror-film", "percent_per_month": 0.05, "months": 3.0})
    assert morning.outcome.verdict is Verdict.DEGRADED, morning.outcome.reason
    assert morning.outcome.verdict.exit_code == 3
    assert morning.outcome.proof is not None
    assert morning.outcome.proof.proved
    assert morning.truth["passes"] == morning.outcome.passes == PASSES
    assert morning.cause.name is CauseName.MIRRORS, morning.cause.evidence
    assert morning.cause.advice == "clean the mirrors"
    # the loss in light cannot be moved away, so that nothing stays moved
    assert all(abs(axis.net) < 1e-5 for axis in morning.recovery.travel)
    assert all(axis.gross >= abs(axis.net) for axis in morning.recovery.travel)
    assert morning.truth["limit_violations"] == 0


@pytest.mark.parametrize("watches", [pytest.param(True, marks=pytest.mark.thorough), False])
def test_a_window_that_loses_light_is_told_from_the_laser_only_by_a_reference_meter(
    watches: bool, night: Night, watched: BenchDescription, unwatched: BenchDescription
) -> None:
    morning = night(
        {"fault": "condensation", "percent": 25.0, "lasts_min": 960.0},
        bench=watched if watches else unwatched,
    )
    assert morning.outcome.verdict is Verdict.DEGRADED, morning.outcome.reason
    assert morning.truth["passes"] == morning.outcome.passes == PASSES
    if watches:
        assert morning.cause.name is CauseName.WINDOW, morning.cause.evidence
    else:
        assert morning.cause.name is CauseName.UNDETERMINED
        assert set(morning.cause.possible) == {CauseName.LASER, CauseName.WINDOW}


@pytest.mark.thorough
def test_a_meter_that_shows_too_much_is_told_where_few_passes_would_be_beyond_its_range(
    night: Night, watched: BenchDescription
) -> None:
    # of 10 mW, where 6 passes of 8 mW would be shown as 0.93 · 8 · 1.38 = 10.2 mW (F16: R^5)
    morning = night({"fault": "wrong-wavelength", "factor": 1.38}, hours=1.0)
    assert watched.laser.power_w * watched.mean_reflectivity**5 * 1.38 > watched.meter.range_w
    assert morning.truth["passes"] == PASSES
    assert morning.cause.name is CauseName.WINDOW, morning.cause.evidence


@pytest.mark.thorough
def test_a_knocked_beam_is_put_back_between_the_edges_and_proved(night: Night) -> None:
    morning = night({"fault": "knock", "percent": 40.0})
    assert morning.outcome.verdict is Verdict.RECOVERED, morning.outcome.reason
    assert morning.truth["passes"] == morning.outcome.passes == PASSES
    assert morning.cause.name is CauseName.KNOCK
    after = morning.recovery.power_after
    assert after is not None
    assert after.value == pytest.approx(1.0, abs=0.03)
    assert morning.truth["limit_violations"] == 0


@pytest.mark.thorough
def test_a_mirror_that_slipped_to_another_pass_count_is_found_out(night: Night) -> None:
    morning = night({"fault": "neighbouring-pass-count"})
    assert morning.outcome.verdict is Verdict.RECOVERED, morning.outcome.reason
    assert morning.truth["passes"] == morning.outcome.passes == PASSES
    assert morning.cause.name is CauseName.SPACING


def test_a_step_that_may_use_nothing_ends_held_where_it_stood(
    night: Night, watched: BenchDescription
) -> None:
    limits = watched.recovery
    poor = dataclasses.replace(limits, step=dataclasses.replace(limits.step, readings=1))
    bench = dataclasses.replace(watched, recovery=poor)
    morning = night({"fault": "knock", "percent": 40.0}, bench=bench)
    assert morning.outcome.verdict is Verdict.HELD
    assert morning.outcome.proof is None
    assert morning.outcome.passes is None
    tried = [step for step in morning.recovery.steps if "caps.readings" in step.words]
    assert {step.name for step in tried} >= {"re-centre", "re-approach"}
    assert not any(step.accepted for step in tried)
    assert morning.outcome.setting is not None
    assert morning.outcome.start is not None
    assert morning.outcome.setting.as_array() == pytest.approx(
        morning.outcome.start.as_array(), abs=1e-5
    )


@pytest.mark.thorough
def test_a_margin_that_nights_have_used_up_has_its_edges_looked_for_again(
    night: Night, evening: Outcome
) -> None:
    long_ago = ReferenceSetting.of(evening, evening, 113.5)  # of a margin of 114 nights
    morning = night(reference=long_ago)
    assert morning.recovery.margin_nights_left is not None
    assert morning.recovery.margin_nights_left < 2.0
    assert morning.outcome.verdict in (Verdict.UNCHANGED, Verdict.RECOVERED)
    assert morning.outcome.proof is not None
    assert morning.outcome.proof.proved
    assert morning.truth["passes"] == PASSES


@pytest.mark.thorough
def test_a_bench_that_stands_elsewhere_is_brought_to_its_reference_setting(night: Night) -> None:
    morning = night(hours=1.0, away=True)
    assert morning.outcome.verdict is Verdict.RECOVERED, morning.outcome.reason
    assert morning.outcome.proof is not None
    assert morning.outcome.proof.proved
    assert morning.truth["passes"] == morning.outcome.passes == PASSES
    assert morning.recovery.power_before is None, "other passes have another power"
    assert morning.recovery.cause is None
    moved = {axis.axis: axis.net for axis in morning.recovery.travel}
    assert abs(moved["spacing"]) > 1e-2
