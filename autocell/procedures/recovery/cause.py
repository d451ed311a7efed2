"""Why is a bench not as it was? Only what was seen counts; what it cannot tell apart is said."""

from __future__ import annotations

from autocell.description import BenchDescription
from autocell.procedures.recovery.displaced import moved
from autocell.procedures.recovery.facts import (
    Facts,
    confidence,
    has_light,
    undetermined,
    unless_seen,
)
from autocell.procedures.recovery.passes import by_passes
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.recovery import Cause, CauseName

_SIGMAS = 3.0

LASER_OFF = 0.1
"""Of what the reference meter read then: with less there is no light because there is no laser."""

_NOT_BY_MOVING = (CauseName.ALIGNMENT, CauseName.KNOCK, CauseName.MIRRORS, CauseName.WINDOW)


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
        return moved(bench, reference, facts)
    if facts.restored:
        return _by_itself(bench, facts, "the bench stands where it stood, and the power is back")
    if facts.two is not None and facts.proved:
        return by_passes(bench, facts, facts.two)
    brought = "light, and no proof" if has_light(facts) else "no proof and no light back"
    return undetermined(
        bench,
        facts,
        f"moving brought {brought}",
        (*_NOT_BY_MOVING, *unless_seen(bench)),
        "look at the bench: input beam, mirrors and window",
    )


def _by_itself(bench: BenchDescription, facts: Facts, seen: str) -> Cause:
    """Nothing that was moved has brought the power back."""
    return undetermined(
        bench,
        facts,
        seen,
        (CauseName.WINDOW, CauseName.KNOCK, *unless_seen(bench)),
        "no action needed; look at the room if it happens again",
    )


def _laser(bench: BenchDescription, facts: Facts) -> Cause | None:
    laser = facts.laser
    within = bench.recovery.laser_within
    if laser is None or abs(laser.value - 1.0) <= max(within, _SIGMAS * laser.u):
        return None
    return Cause(
        CauseName.LASER,
        confidence(abs(laser.value - 1.0) / laser.u),
        (
            f"the reference meter reads {laser.value:.3f} ± {laser.u:.3f} of what it read at the "
            "reference setting, and what leaves the cell has changed with it",
        ),
        advice="look at the laser: its current, its temperature, its shutter",
    )


def _darkness(bench: BenchDescription, facts: Facts) -> Cause:
    if facts.laser is not None:
        seen = f"there is no light, while the reference meter reads {facts.laser.value:.3f} of then"
        return undetermined(
            bench, facts, seen, (CauseName.KNOCK, CauseName.WINDOW),
            "look whether the beam meets the entrance hole and the detector",
        )  # fmt: skip
    return undetermined(
        bench,
        facts,
        "there is no light, and no reference meter to say whether the laser is on",
        (CauseName.LASER, CauseName.KNOCK, CauseName.WINDOW),
        "look whether the laser is on, its shutter open, and the beam in the entrance hole",
    )
