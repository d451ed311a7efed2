"""Why is a bench not as it was? Only what was seen counts; what it cannot tell apart is said."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from autocell.description import BenchDescription
from autocell.procedures.recovery.beam import SideLook
from autocell.procedures.recovery.plateaus import TwoPlateaus
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.recovery.search import Found, Shift
from autocell.recovery import Cause, CauseName, Ratio

_NIGHTS = 5.0
"""Overnight drifts, for each night, that are still drift. More is a knock, or something slipped."""

_SIGMAS = 3.0
_FITS, _FAILS = 2.5, 3.5
"""Standard uncertainties within which an explanation fits, and beyond which it does not."""

_SUREST = 0.999

LASER_OFF = 0.1
"""Of what the reference meter read then: with less there is no light because there is no laser."""

_NOT_BY_MOVING = (CauseName.ALIGNMENT, CauseName.KNOCK, CauseName.MIRRORS, CauseName.WINDOW)


@dataclass(frozen=True)
class Facts:
    """What a recovery saw.

    ``power`` is the ratio it began with, None for a bench that stood elsewhere. ``came_back``:
    without anybody moving anything. ``looks`` are those to both sides along the input axes.
    ``plateau_shift_m`` is by how much the middle of the plateau has moved along the spacing,
    where both edges were found. ``found`` is what a search for the beam came to. ``restored`` says
    whether the power came back, ``moved`` whether the bench stands elsewhere for it: what was moved
    and moved back has brought nothing back.
    """

    power: Ratio | None = None
    laser: Ratio | None = None
    out_of_bounds: bool = False
    came_back: bool = False
    looks: tuple[SideLook, ...] = ()
    plateau_shift_m: Ratio | None = None
    two: TwoPlateaus | None = None
    found: Found | None = None
    restored: bool = False
    moved: bool = False
    proved: bool = False
    dark: bool = False


def name_cause(bench: BenchDescription, reference: ReferenceSetting, facts: Facts) -> Cause | None:
    """The cause, or None when nothing was wrong."""
    laser = _laser(bench, facts)
    if facts.dark:
        is_off = facts.laser is not None and facts.laser.value < LASER_OFF
        return (laser if is_off else None) or _darkness(bench, facts)
    if not facts.out_of_bounds:
        return laser
    if facts.came_back:
        seen = "the power came back by itself before anything was moved"
        return _by_itself(bench, facts, seen)
    if facts.restored and facts.moved:
        return _moved(bench, reference, facts)
    if facts.restored:
        return _by_itself(bench, facts, "the bench stands where it stood, and the power is back")
    if facts.two is not None and facts.proved:
        return _by_passes(bench, facts, facts.two)
    has_light = facts.found is not None and facts.found.light is not None
    return _undetermined(
        bench,
        facts,
        f"moving brought {'light, and no proof' if has_light else 'no proof and no light back'}",
        (*_NOT_BY_MOVING, *_unless_seen(bench)),
        "look at the bench: input beam, mirrors and window",
    )


def _by_itself(bench: BenchDescription, facts: Facts, seen: str) -> Cause:
    """Nothing that was moved has brought the power back."""
    return _undetermined(
        bench,
        facts,
        seen,
        (CauseName.WINDOW, CauseName.KNOCK, *_unless_seen(bench)),
        "no action needed; look at the room if it happens again",
    )


def _laser(bench: BenchDescription, facts: Facts) -> Cause | None:
    laser = facts.laser
    within = bench.recovery.laser_within
    if laser is None or abs(laser.value - 1.0) <= max(within, _SIGMAS * laser.u):
        return None
    return Cause(
        CauseName.LASER,
        _confidence(abs(laser.value - 1.0) / laser.u),
        (
            f"the reference meter reads {laser.value:.3f} ± {laser.u:.3f} of what it read at the "
            "reference setting, and what leaves the cell has changed with it",
        ),
        advice="look at the laser: its current, its temperature, its shutter",
    )


def _darkness(bench: BenchDescription, facts: Facts) -> Cause:
    if facts.laser is not None:
        seen = f"there is no light, while the reference meter reads {facts.laser.value:.3f} of then"
        return _undetermined(
            bench, facts, seen, (CauseName.KNOCK, CauseName.WINDOW),
            "look whether the beam meets the entrance hole and the detector",
        )  # fmt: skip
    return _undetermined(
        bench,
        facts,
        "there is no light, and no reference meter to say whether the laser is on",
        (CauseName.LASER, CauseName.KNOCK, CauseName.WINDOW),
        "look whether the laser is on, its shutter open, and the beam in the entrance hole",
    )


def _moved(bench: BenchDescription, reference: ReferenceSetting, facts: Facts) -> Cause:
    """What brought the light back tells what had moved, and how far whether it drifted there."""
    nights = _NIGHTS * max(1.0, reference.nights)
    shifted = _shifts(bench, facts)
    by_drift = {look.axis: nights * bench.axes[look.axis].overnight_drift for look in shifted}
    evidence = _searched(facts) + tuple(look.words for look in facts.looks if look.shift != 0.0)
    far = [look for look in shifted if abs(look.shift) > by_drift[look.axis]]
    if far:
        told = "; ".join(
            f"{look.axis} by {1e3 * abs(look.shift):.3f} {look.unit}, drift explains "
            f"{1e3 * by_drift[look.axis]:.3f}"
            for look in far
        )
        return Cause(
            CauseName.KNOCK,
            _SUREST,
            (*evidence, f"the input beam stood elsewhere: {told}"),
            advice="find out who or what touched the launch, and tighten what has become loose",
        )
    if shifted:
        return Cause(
            CauseName.CLIPPING,
            0.95,
            (*evidence, "the beam was cut on one side, by no more than drift explains"),
            advice="no action needed; if it comes again, set the beam into the middle of the hole",
        )
    shift = facts.plateau_shift_m
    if shift is not None:
        drift_m = nights * bench.axes["spacing"].overnight_drift
        told = (
            f"the plateau has moved by {1e3 * shift.value:+.3f} ± {1e3 * shift.u:.3f} mm along the "
            f"spacing, drift explains {1e3 * drift_m:.3f} mm"
        )
        beyond = (abs(shift.value) - drift_m) / shift.u
        if beyond > _SIGMAS:
            return Cause(
                CauseName.SPACING,
                _confidence(beyond),
                (told,),
                advice="look whether a mirror or its stage has slipped",
            )
        return Cause(CauseName.ALIGNMENT, 0.9, (told, "between the edges the power came back"))
    return _undetermined(
        bench,
        facts,
        "moving brought the power back, no input axis stands elsewhere, and how far the plateau "
        "has moved is not known: one of its ends was not found, now or then",
        (CauseName.ALIGNMENT, CauseName.SPACING),
        "no action needed; if it comes again, look whether a mirror or its stage slips",
    )


def _by_passes(bench: BenchDescription, facts: Facts, two: TwoPlateaus) -> Cause:
    """A loss that moving does not cure: does it grow with the passes?"""
    loss = two.loss_per_reflection
    seen = (
        f"at {two.passes} passes {two.ratio.value:.3f} ± {two.ratio.u:.3f} of the power of the "
        f"reference run, at {two.other_passes} passes {two.other.value:.3f} ± {two.other.u:.3f}",
        *_flat(facts),
    )
    at_mirrors = two.surprise(at_mirrors=True)
    outside = two.surprise(at_mirrors=False)
    odds = 1.0 / (1.0 + math.exp(-0.5 * abs(at_mirrors**2 - outside**2)))
    if at_mirrors < _FITS and outside > _FAILS:
        return Cause(
            CauseName.MIRRORS,
            min(odds, _SUREST),
            (
                *seen,
                f"the loss grows with the passes: {1e2 * loss.value:.3f} ± {1e2 * loss.u:.3f} % "
                "more at each reflection",
                "a gas that absorbs at this wavelength would do the same; only another wavelength "
                "tells",
            ),
            advice="clean the mirrors",
        )
    if outside < _FITS and at_mirrors > _FAILS:
        fixed = (*seen, "the loss is the same at both pass counts: it is outside the mirrors")
        if bench.reference_meter is not None and facts.laser is not None:
            return Cause(
                CauseName.WINDOW,
                min(odds, _SUREST),
                (*fixed, "the reference meter has the laser as it was"),
                advice="clean the window, and look at the detector and its wavelength setting",
            )
        return replace(
            _undetermined(
                bench, facts, "there is no reference meter to tell the laser from the window",
                (CauseName.LASER, CauseName.WINDOW),
                "look at the laser, the window and the detector; a reference meter would tell them "
                "apart",
            ),
            evidence=(*fixed, "there is no reference meter to tell the laser from the window"),
        )  # fmt: skip
    return replace(
        _undetermined(
            bench, facts, "", (CauseName.MIRRORS, CauseName.WINDOW, *_unless_seen(bench)),
            "look at mirrors, window and laser",
        ),
        evidence=(*seen, "the two pass counts do not decide between mirrors and the rest"),
    )  # fmt: skip


def _shifts(bench: BenchDescription, facts: Facts) -> list[Shift]:
    """By how much each input axis has been moved on balance, by a search and between edges; what is
    less than it repeats is nothing."""
    found = () if facts.found is None else facts.found.shifts
    moved = [*found, *(Shift(look.axis, look.unit, look.shift) for look in facts.looks)]
    total: dict[str, Shift] = {}
    for shift in moved:
        before = total[shift.axis].shift if shift.axis in total else 0.0
        total[shift.axis] = replace(shift, shift=before + shift.shift)
    return [
        shift for shift in total.values() if abs(shift.shift) > bench.axes[shift.axis].repeatability
    ]


def _searched(facts: Facts) -> tuple[str, ...]:
    """What a search for the beam came to, if there was one."""
    return () if facts.found is None else (f"the beam was looked for: {facts.found.words}",)


def _flat(facts: Facts) -> tuple[str, ...]:
    """That no side was brighter, where it was looked for."""
    if not facts.looks or any(look.shift for look in facts.looks):
        return ()
    names = ", ".join(look.axis for look in facts.looks)
    return (f"the beam is not cut: no side of {names} is brighter",)


def _undetermined(
    bench: BenchDescription,
    facts: Facts,
    seen: str,
    possible: tuple[CauseName, ...],
    advice: str,
) -> Cause:
    power = facts.power
    began = () if power is None else (f"the power was {power.value:.3f} ± {power.u:.3f} of then",)
    said = (*began, *_searched(facts), *_flat(facts), seen)
    return Cause(CauseName.UNDETERMINED, 0.0, said, tuple(dict.fromkeys(possible)), advice)


def _unless_seen(bench: BenchDescription) -> tuple[CauseName, ...]:
    """The laser, where no reference meter clears it."""
    return () if bench.reference_meter is not None else (CauseName.LASER,)


def _confidence(sigmas: float) -> float:
    """Probability that a deviation of so many standard uncertainties is none by chance."""
    return min(math.erf(sigmas / math.sqrt(2.0)), _SUREST)
