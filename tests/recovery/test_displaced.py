"""A mirror or the launch stands elsewhere: by how much since when tells whether it drifted there,
slipped, or nobody can tell. A speck that lies where the spots are does not look like it.

Shifts are the simulator's; half the plateau of this bench is 0.68 mm along the spacing, and its
beam is 1.4 mm from where the hole begins to cut it.
"""

from __future__ import annotations

import dataclasses

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.rehearsal.what_happens import displace

from autocell.outcome import Outcome, Verdict
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.recovery import CauseName
from tests.recovery.conftest import PASSES, Morning, Night


def recovered_and_true(morning: Morning) -> None:
    assert morning.outcome.verdict is Verdict.RECOVERED, morning.outcome.reason
    assert morning.truth["passes"] == morning.outcome.passes == PASSES
    assert morning.truth["limit_violations"] == 0


def moved_m(morning: Morning) -> dict[str, float]:
    """What each axis has moved on balance, m or rad."""
    return {axis.axis: axis.net for axis in morning.recovery.travel}


@pytest.mark.parametrize(
    ("um", "nights", "name", "possible"),
    [
        pytest.param(620.0, 105.0, CauseName.ALIGNMENT, (), id="crept for 105 nights"),
        pytest.param(
            -660.0, 40.0, CauseName.UNDETERMINED, (CauseName.ALIGNMENT, CauseName.SPACING),
            id="crept or slipped within 40",
        ),
        pytest.param(
            640.0, 0.33, CauseName.SPACING, (), id="slipped in one", marks=pytest.mark.thorough
        ),
    ],
)  # fmt: skip
def test_a_bench_at_an_end_of_its_plateau_goes_back_between_the_ends_by_the_spacing_alone(
    um: float,
    nights: float,
    name: CauseName,
    possible: tuple[CauseName, ...],
    night: Night,
    reference: ReferenceSetting,
) -> None:
    def spoil(bench: SimulatedBench) -> None:
        displace(bench, um=um)

    morning = night(reference=dataclasses.replace(reference, nights=nights), spoil=spoil)
    recovered_and_true(morning)
    assert morning.cause.name is name, morning.cause.evidence
    assert morning.cause.possible == possible
    moved = moved_m(morning)
    assert moved.pop("spacing") == pytest.approx(-1e-6 * um, abs=5e-5)
    assert all(abs(net) < 1e-5 for net in moved.values()), "to a side it is brighter too"


@pytest.mark.parametrize(
    ("x_um", "y_um", "nights", "name"),
    [
        pytest.param(1700.0, 0.0, 340.0, CauseName.CLIPPING, id="crept for 340 nights"),
        pytest.param(
            -1100.0, 1100.0, 310.0, CauseName.CLIPPING, id="in both directions",
            marks=pytest.mark.thorough,
        ),
        pytest.param(
            0.0, 1700.0, 100.0, CauseName.UNDETERMINED, id="crept or knocked within 100",
            marks=pytest.mark.thorough,
        ),
    ],
)  # fmt: skip
def test_a_beam_that_has_crept_to_the_edge_of_the_hole_is_clipped(
    x_um: float,
    y_um: float,
    nights: float,
    name: CauseName,
    night: Night,
    evening: Outcome,
) -> None:
    def spoil(bench: SimulatedBench) -> None:
        displace(bench, x_um=x_um, y_um=y_um)

    long_ago = ReferenceSetting.of(evening, evening, nights)
    morning = night(reference=long_ago, spoil=spoil)
    recovered_and_true(morning)
    assert morning.cause.name is name, morning.cause.evidence
    if name is CauseName.UNDETERMINED:
        assert morning.cause.possible == (CauseName.CLIPPING, CauseName.KNOCK)
    assert any("to one side" in text for text in morning.cause.evidence)


@pytest.mark.thorough
def test_a_speck_beside_which_the_spots_may_be_moved_is_no_knock(night: Night) -> None:
    """The launch stands 0.4 mm aside, which costs nothing, and would take the spots off it."""

    def spoil(bench: SimulatedBench) -> None:
        displace(bench, x_um=400.0)
        bench.begin({"fault": "dust", "percent": 8.0})

    morning = night(spoil=spoil)
    recovered_and_true(morning)
    assert moved_m(morning)["horizontal"] == pytest.approx(-4e-4, abs=1e-4)
    assert morning.cause.name is CauseName.MIRRORS, morning.cause.evidence
