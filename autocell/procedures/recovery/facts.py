"""What a recovery saw, and what may be said of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from autocell.description import BenchDescription
from autocell.procedures.recovery.beam import SideLook
from autocell.procedures.recovery.plateaus import TwoPlateaus
from autocell.procedures.recovery.search import Found, Shift
from autocell.recovery import Cause, CauseName, Ratio

SUREST = 0.999


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


def shifts(bench: BenchDescription, facts: Facts) -> list[Shift]:
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


def was_cut(facts: Facts) -> bool:
    """Whether the input beam was seen to be cut by the hole, or missed it."""
    return has_light(facts) or any(look.shift and look.cut for look in facts.looks)


def has_light(facts: Facts) -> bool:
    return facts.found is not None and facts.found.light is not None


def searched(facts: Facts) -> tuple[str, ...]:
    """What a search for the beam came to, if there was one."""
    return () if facts.found is None else (f"the beam was looked for: {facts.found.words}",)


def flat(facts: Facts) -> tuple[str, ...]:
    """That the hole does not cut the beam, where it was looked for."""
    if not facts.looks or any(look.shift for look in facts.looks):
        return ()
    names = ", ".join(look.axis for look in facts.looks)
    if any(any(look.brighter) for look in facts.looks):
        return (f"the beam is not cut: to no side of {names} does the light fall off",)
    return (f"the beam is not cut: no side of {names} is brighter",)


def undetermined(
    bench: BenchDescription,
    facts: Facts,
    seen: str,
    possible: tuple[CauseName, ...],
    advice: str,
) -> Cause:
    power = facts.power
    began = () if power is None else (f"the power was {power.value:.3f} ± {power.u:.3f} of then",)
    said = (*began, *searched(facts), *flat(facts), seen)
    return Cause(CauseName.UNDETERMINED, 0.0, said, tuple(dict.fromkeys(possible)), advice)


def unless_seen(bench: BenchDescription) -> tuple[CauseName, ...]:
    """The laser, where no reference meter clears it."""
    return () if bench.reference_meter is not None else (CauseName.LASER,)


def confidence(sigmas: float) -> float:
    """Probability that a deviation of so many standard uncertainties is none by chance."""
    return min(math.erf(sigmas / math.sqrt(2.0)), SUREST)
