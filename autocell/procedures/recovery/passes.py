"""Is light lost at the mirrors or outside them? What two pass counts say of it."""

from __future__ import annotations

import math
from dataclasses import replace

from autocell.description import BenchDescription
from autocell.procedures.recovery.facts import (
    SUREST,
    Facts,
    flat,
    undetermined,
    unless_seen,
)
from autocell.procedures.recovery.plateaus import TwoPlateaus
from autocell.recovery import Cause, CauseName

_FITS, _FAILS = 2.5, 3.5
"""Standard uncertainties within which an explanation fits, and beyond which it does not."""


def by_passes(bench: BenchDescription, facts: Facts, two: TwoPlateaus) -> Cause:
    """A loss that moving does not cure: does it grow with the passes?"""
    loss = two.loss_per_reflection
    seen = (
        f"at {two.passes} passes {two.ratio.value:.3f} ± {two.ratio.u:.3f} of the power of the "
        f"reference run, at {two.other_passes} passes {two.other.value:.3f} ± {two.other.u:.3f}",
        *flat(facts),
    )
    at_mirrors = two.surprise(at_mirrors=True)
    outside = two.surprise(at_mirrors=False)
    odds = 1.0 / (1.0 + math.exp(-0.5 * abs(at_mirrors**2 - outside**2)))
    if at_mirrors < _FITS and outside > _FAILS:
        return Cause(
            CauseName.MIRRORS,
            min(odds, SUREST),
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
                min(odds, SUREST),
                (*fixed, "the reference meter has the laser as it was"),
                advice="clean the window, and look at the detector and its wavelength setting",
            )
        return replace(
            undetermined(
                bench, facts, "there is no reference meter to tell the laser from the window",
                (CauseName.LASER, CauseName.WINDOW),
                "look at the laser, the window and the detector; a reference meter would tell them "
                "apart",
            ),
            evidence=(*fixed, "there is no reference meter to tell the laser from the window"),
        )  # fmt: skip
    return replace(
        undetermined(
            bench, facts, "", (CauseName.MIRRORS, CauseName.WINDOW, *unless_seen(bench)),
            "look at mirrors, window and laser",
        ),
        evidence=(*seen, "the two pass counts do not decide between mirrors and the rest"),
    )  # fmt: skip
