"""What speaks for which cause, and what is left undetermined."""

from __future__ import annotations

import dataclasses
import math

import pytest

from autocell.description import BenchDescription
from autocell.procedures.recovery.beam import SideLook
from autocell.procedures.recovery.cause import name_cause
from autocell.procedures.recovery.displaced import is_loss_between_edges
from autocell.procedures.recovery.facts import Facts
from autocell.procedures.recovery.plateaus import TwoPlateaus
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.recovery import CauseName, Ratio

ONE = Ratio(1.0, 0.003)


def two(outside: float, per_reflection: float, u: float = 0.01) -> TwoPlateaus:
    """What 62 and 6 passes keep of the light when each reflection keeps ``per_reflection``: N
    passes have N − 1 reflections, R^(N−1) (F16) [exact]."""
    return TwoPlateaus(
        62,
        Ratio(outside * per_reflection**61, 0.003),
        6,
        Ratio(outside * per_reflection**5, u),
    )


@pytest.mark.parametrize("film", [2e-3, 5e-4, 1e-2])
def test_the_loss_of_a_reflection_follows_from_two_pass_counts(film: float) -> None:
    plateaus = two(0.8, math.exp(-film))
    assert plateaus.loss_per_reflection.value == pytest.approx(film, rel=1e-9)


def test_a_loss_that_grows_with_the_passes_is_of_the_mirrors(
    watched: BenchDescription, reference: ReferenceSetting
) -> None:
    facts = Facts(Ratio(0.9, 0.003), ONE, True, two=two(1.0, 0.998), proved=True)
    cause = name_cause(watched, reference, facts)
    assert cause is not None
    assert cause.name is CauseName.MIRRORS
    assert cause.confidence > 0.99
    assert any("gas" in text for text in cause.evidence)


def test_a_loss_that_does_not_is_outside_them(
    watched: BenchDescription, unwatched: BenchDescription, reference: ReferenceSetting
) -> None:
    facts = Facts(Ratio(0.8, 0.003), ONE, True, two=two(0.8, 1.0), proved=True)
    cause = name_cause(watched, reference, facts)
    assert cause is not None
    assert cause.name is CauseName.WINDOW
    blind = name_cause(unwatched, reference, Facts(facts.power, None, True, two=facts.two,
                                                   proved=True))  # fmt: skip
    assert blind is not None
    assert blind.name is CauseName.UNDETERMINED
    assert blind.possible == (CauseName.LASER, CauseName.WINDOW)
    assert blind.confidence == 0.0


def test_too_small_a_loss_is_left_undetermined(
    watched: BenchDescription, reference: ReferenceSetting
) -> None:
    facts = Facts(Ratio(0.97, 0.01), ONE, True, two=two(0.97, 1.0, u=0.03), proved=True)
    cause = name_cause(watched, reference, facts)
    assert cause is not None
    assert cause.name is CauseName.UNDETERMINED
    assert {CauseName.MIRRORS, CauseName.WINDOW} <= set(cause.possible)


UNDETERMINED = CauseName.UNDETERMINED


@pytest.mark.parametrize(
    ("shift_m", "nights", "name"),
    [
        (2e-5, 0.33, CauseName.CLIPPING),
        (1.5e-3, 0.33, CauseName.KNOCK),
        # of 0.005 mm a night, half more, and once five times it: 0.77 mm in 100 nights, 2.27 in 300
        (1.5e-3, 300.0, CauseName.CLIPPING),
        (1.5e-3, 100.0, UNDETERMINED),
        (1.5e-3, 50.0, CauseName.KNOCK),
    ],
)
def test_a_beam_that_drift_cannot_have_moved_so_far_was_knocked(
    shift_m: float,
    nights: float,
    name: CauseName,
    watched: BenchDescription,
    reference: ReferenceSetting,
) -> None:
    look = SideLook("horizontal", "mm", 0.1, 1.6, shift_m)
    facts = Facts(Ratio(0.6, 0.003), ONE, True, looks=(look,), restored=True, moved=True,
                  proved=True)  # fmt: skip
    cause = name_cause(watched, dataclasses.replace(reference, nights=nights), facts)
    assert cause is not None
    assert cause.name is name
    if name is UNDETERMINED:
        assert cause.possible == (CauseName.CLIPPING, CauseName.KNOCK)
        assert any("100 nights" in text for text in cause.evidence)


@pytest.mark.parametrize(
    ("shift_m", "nights", "name"),
    [
        (-6.4e-4, 0.33, CauseName.SPACING),
        (1.4e-3, 0.33, CauseName.SPACING),
        # of 0.006 mm a night, half more, and once five times it: 0.38 mm in 40 nights, 0.97 in 105
        (6.4e-4, 105.0, CauseName.ALIGNMENT),
        (-6.4e-4, 40.0, UNDETERMINED),
        (6.4e-4, 20.0, CauseName.SPACING),
    ],
)
def test_a_plateau_that_drift_cannot_have_moved_so_far_slipped(
    shift_m: float,
    nights: float,
    name: CauseName,
    watched: BenchDescription,
    reference: ReferenceSetting,
) -> None:
    facts = Facts(
        Ratio(0.9, 0.003), ONE, True, plateau_shift_m=Ratio(shift_m, 1e-5), restored=True,
        moved=True, proved=True,
    )  # fmt: skip
    cause = name_cause(watched, dataclasses.replace(reference, nights=nights), facts)
    assert cause is not None
    assert cause.name is name
    if name is UNDETERMINED:
        assert cause.possible == (CauseName.ALIGNMENT, CauseName.SPACING)
        assert any("40 nights" in text for text in cause.evidence)


MOVED_AWAY = SideLook("horizontal", "mm", 1.06, 1.05, -3e-4, (True, True))
"""Both sides are brighter, and the beam was moved further than drift explains."""


def test_a_loss_that_the_spots_were_moved_away_from_is_no_knock(
    watched: BenchDescription, reference: ReferenceSetting
) -> None:
    """It is of the mirrors where few passes do not have it, outside them where they do, and
    undetermined where nobody has looked."""
    facts = Facts(Ratio(0.93, 0.003), ONE, True, looks=(MOVED_AWAY,),
                  plateau_shift_m=Ratio(5e-6, 1e-5), restored=True, moved=True,
                  proved=True)  # fmt: skip
    assert is_loss_between_edges(reference, facts)
    named = {}
    for where, plateaus in {
        "mirrors": two(1.0, 0.93 ** (1.0 / 61.0)),
        "outside": two(0.93, 1.0),
        "nobody has looked": None,
    }.items():
        cause = name_cause(watched, reference, dataclasses.replace(facts, two=plateaus))
        assert cause is not None
        assert any("between the edges after -0.300 mm" in text for text in cause.evidence)
        named[where] = cause.name
    assert named == {
        "mirrors": CauseName.MIRRORS,
        "outside": CauseName.WINDOW,
        "nobody has looked": UNDETERMINED,
    }


def test_the_hole_or_an_end_of_the_plateau_explains_a_loss(reference: ReferenceSetting) -> None:
    cut = SideLook("horizontal", "mm", 0.1, 1.06, 1.5e-3, (False, True))
    middle, end = Ratio(5e-6, 1e-5), Ratio(6.4e-4, 1e-5)
    facts = Facts(Ratio(0.93, 0.003), ONE, True, looks=(MOVED_AWAY,), proved=True)
    for looks, shift, unexplained in (
        ((MOVED_AWAY,), middle, True),
        ((MOVED_AWAY,), end, False),
        ((cut,), middle, False),
        ((), middle, False),
    ):
        seen = dataclasses.replace(facts, looks=looks, plateau_shift_m=shift)
        assert is_loss_between_edges(reference, seen) is unexplained


def test_a_plateau_that_did_not_move_to_its_end_is_not_what_cost_the_light(
    watched: BenchDescription, reference: ReferenceSetting
) -> None:
    facts = Facts(Ratio(0.9, 0.003), ONE, True, plateau_shift_m=Ratio(1e-5, 1e-5), restored=True,
                  moved=True, proved=True)  # fmt: skip
    cause = name_cause(watched, reference, facts)
    assert cause is not None
    assert cause.name is UNDETERMINED
    assert {CauseName.MIRRORS, CauseName.WINDOW} <= set(cause.possible)


def test_what_was_moved_and_moved_back_has_brought_nothing_back(
    watched: BenchDescription, reference: ReferenceSetting
) -> None:
    look = SideLook("horizontal", "mm", 0.1, 1.6, 2e-5)
    shift = Ratio(1e-5, 1e-5)
    facts = Facts(Ratio(0.9, 0.003), ONE, True, looks=(look,), plateau_shift_m=shift, restored=True,
                  moved=False, proved=True)  # fmt: skip
    cause = name_cause(watched, reference, facts)
    assert cause is not None
    assert cause.name is CauseName.UNDETERMINED
    assert cause.possible == (CauseName.WINDOW, CauseName.KNOCK)
    assert any("stands where it stood" in text for text in cause.evidence)


def test_shifts_that_cancel_leave_alignment_and_spacing_undecided_where_an_edge_is_missing(
    watched: BenchDescription, reference: ReferenceSetting
) -> None:
    away = SideLook("horizontal", "mm", 0.1, 1.6, 2e-5)
    back = SideLook("horizontal", "mm", 1.6, 0.1, -2e-5 + 1e-9)
    facts = Facts(Ratio(0.9, 0.003), ONE, True, looks=(away, back), restored=True, moved=True,
                  proved=True)  # fmt: skip
    cause = name_cause(watched, reference, facts)
    assert cause is not None
    assert cause.name is CauseName.UNDETERMINED
    assert cause.possible == (CauseName.ALIGNMENT, CauseName.SPACING)
    assert cause.confidence == 0.0


def test_nothing_wrong_has_no_cause(watched: BenchDescription, reference: ReferenceSetting) -> None:
    assert name_cause(watched, reference, Facts(ONE, ONE)) is None
