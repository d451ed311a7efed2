"""What stood elsewhere, by what brought the light back: the input beam, a mirror, or neither."""

from __future__ import annotations

from dataclasses import dataclass, replace

from autocell.description import BenchDescription
from autocell.procedures.recovery.facts import (
    SUREST,
    Facts,
    confidence,
    searched,
    shifts,
    undetermined,
    unless_seen,
    was_cut,
)
from autocell.procedures.recovery.passes import by_passes
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.recovery.search import Shift
from autocell.recovery import Cause, CauseName, Ratio

_NIGHTS, _EACH_NIGHT = 5.0, 1.5
"""Overnight drifts that are still drift: so far a room may swing in any night, and so much may
stay of it night after night. More than a swing for each night is a knock, or something slipped."""

_AT_AN_END = 0.35
"""Of the plateau's half width: with less left between a bench and an end, light may be lost there.
A beam that is 0.35 half widths from an edge that takes half of it has all of its light."""

_SIGMAS = 3.0


def moved(bench: BenchDescription, reference: ReferenceSetting, facts: Facts) -> Cause:
    """What brought the light back tells what had moved, and how far whether it drifted there."""
    shifted = shifts(bench, facts)
    seen = searched(facts) + tuple(look.words for look in facts.looks if look.shift != 0.0)
    if shifted and was_cut(facts):
        return _beam_moved(bench, reference, shifted, seen)
    shift = facts.plateau_shift_m
    if shift is None and not shifted:
        return undetermined(
            bench,
            facts,
            "moving brought the power back, no input axis stands elsewhere, and how far the "
            "plateau has moved is not known: one of its ends was not found, now or then",
            (CauseName.ALIGNMENT, CauseName.SPACING),
            "no action needed; if it comes again, look whether a mirror or its stage slips",
        )
    if shift is not None and stood_at_an_end(reference, shift):
        return _plateau_moved(bench, reference, shift, facts)
    return _between_edges(bench, facts, seen)


def _beam_moved(
    bench: BenchDescription,
    reference: ReferenceSetting,
    shifted: list[Shift],
    seen: tuple[str, ...],
) -> Cause:
    """The beam was cut at the hole: by how much drift has it been off?"""
    drift = {look.axis: _Drift.of(bench, reference, look.axis) for look in shifted}
    told = ", ".join(
        f"{look.axis} by {1e3 * abs(look.shift):.3f} {look.unit}, drift explains "
        f"{1e3 * drift[look.axis].likely:.3f}"
        for look in shifted
    )
    if any(abs(look.shift) > drift[look.axis].most for look in shifted):
        return Cause(
            CauseName.KNOCK,
            SUREST,
            (*seen, f"the input beam stood elsewhere: {told}"),
            advice="find out who or what touched the launch, and tighten what has become loose",
        )
    if all(abs(look.shift) <= drift[look.axis].likely for look in shifted):
        return Cause(
            CauseName.CLIPPING,
            0.95,
            (*seen, f"the beam was cut on one side, by no more than drift explains: {told}"),
            advice="no action needed; if it comes again, set the beam into the middle of the hole",
        )
    return Cause(
        CauseName.UNDETERMINED,
        0.0,
        (
            *seen,
            f"the beam was cut on one side: {told}; in {reference.nights:.0f} nights it may have "
            "come there by itself",
        ),
        (CauseName.CLIPPING, CauseName.KNOCK),
        "look whether the launch is loose",
    )


def _plateau_moved(
    bench: BenchDescription, reference: ReferenceSetting, shift: Ratio, facts: Facts
) -> Cause:
    """The bench stood at an end of its plateau, or beyond: by how much drift?"""
    drift = _Drift.of(bench, reference, "spacing")
    told = (
        f"the plateau has moved by {1e3 * shift.value:+.3f} ± {1e3 * shift.u:.3f} mm along the "
        f"spacing, drift explains {1e3 * drift.likely:.3f} mm"
    )
    beyond = (abs(shift.value) - drift.most) / shift.u
    if beyond > _SIGMAS:
        return Cause(
            CauseName.SPACING,
            confidence(beyond),
            (told,),
            advice="look whether a mirror or its stage has slipped",
        )
    if abs(shift.value) <= drift.likely + _SIGMAS * shift.u:
        return Cause(CauseName.ALIGNMENT, 0.9, (told, "between the edges the power came back"))
    return undetermined(
        bench,
        facts,
        f"{told}; in {reference.nights:.0f} nights it may have come there by itself",
        (CauseName.ALIGNMENT, CauseName.SPACING),
        "look whether a mirror or its stage slips",
    )


def _between_edges(bench: BenchDescription, facts: Facts, seen: tuple[str, ...]) -> Cause:
    """Light was lost in the middle of the plateau, by a beam that was not cut: in a place that the
    spots may have been moved away from."""
    if facts.two is not None:
        cause = by_passes(bench, facts, facts.two)
        return replace(cause, evidence=(*seen, *cause.evidence))
    return undetermined(
        bench,
        facts,
        "; ".join((*seen, "moving brought the power back, where nothing was seen to be cut")),
        (CauseName.MIRRORS, CauseName.WINDOW, CauseName.KNOCK, CauseName.ALIGNMENT,
         *unless_seen(bench)),
        "look for dust on the mirrors and the window",
    )  # fmt: skip


def is_loss_between_edges(reference: ReferenceSetting, facts: Facts) -> bool:
    """Whether light was lost where neither the hole nor an end of the plateau cut the beam, though
    moving the beam may have brought it back: as from a speck on one spot."""
    shift = facts.plateau_shift_m
    at_an_end = shift is not None and stood_at_an_end(reference, shift)
    moved_away = any(look.shift for look in facts.looks)
    return facts.out_of_bounds and moved_away and not was_cut(facts) and not at_an_end


def stood_at_an_end(reference: ReferenceSetting, shift: Ratio) -> bool:
    """Whether a bench that has not moved since stood at an end of a plateau that has moved by
    ``shift`` m along the spacing, or beyond: between the ends that costs no light."""
    margin = reference.margin("spacing")
    if margin is None or margin.low is None or margin.high is None:
        return False
    left = min(margin.low - shift.value, margin.high + shift.value)
    return left < _AT_AN_END * 0.5 * (margin.low + margin.high)


@dataclass(frozen=True)
class _Drift:
    """How far an axis may have drifted since the reference, m or rad: ``likely``, and at ``most``.
    What is between may be drift or not."""

    likely: float
    most: float

    @classmethod
    def of(cls, bench: BenchDescription, reference: ReferenceSetting, axis: str) -> _Drift:
        nights = max(1.0, reference.nights)
        overnight = bench.axes[axis].overnight_drift
        likely = _NIGHTS + _EACH_NIGHT * (nights - 1.0)
        return cls(likely * overnight, _NIGHTS * nights * overnight)
