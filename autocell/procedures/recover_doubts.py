"""How far a bench may be believed when its light says that something has happened to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from autocell.description import BenchDescription, MirrorDescription
from autocell.outcome import Learned
from autocell.procedures.reference import ReferenceSetting
from autocell.procedures.tuning import Experience
from autocell.setting import COORDINATES, Setting

_POWER = 2.0
"""Laser, windows and detector together may have come to a third of what they were, or thrice."""

_FILM = 0.004
"""What a reflection may have lost more: a film of half a year, and no cleaner mirror."""

_SLIPPED_M = 2e-3
_TURNED = 8e-3
_ACROSS = 0.8
"""Of the hole's radius: a beam that is knocked further meets the mirror beside it."""

_OF_MEMORY = {"log_gain": 0.4, "reflectivity": 8e-4}
"""Standard deviations, SI, added to what is remembered of the light. Three times as much is then
believed possible: a memory widens what it remembers."""

_SHIFTED = {"x_m": 1e-4, "y_m": 1e-4, "slope_x": 3e-3, "slope_y": 3e-3}
"""The same for a beam that was found elsewhere in the hole: it was turned by nobody knows what."""


def doubted(bench: BenchDescription, *, beam: bool) -> BenchDescription:
    """The bench file with tolerances as wide as what may happen in a night, and with ``beam``
    also for an input beam that somebody knocked against. Magnitudes are common practice, no
    source."""
    laser, launch = bench.laser, bench.input_beam
    if beam:
        launch = replace(
            launch,
            position_tolerance_m=launch.position_tolerance_m + _ACROSS * bench.hole_radius_m,
            slope_tolerance=launch.slope_tolerance + _TURNED,
        )
    return replace(
        bench,
        entrance_mirror=_filmed(bench.entrance_mirror),
        far_mirror=_filmed(bench.far_mirror),
        laser=replace(laser, power_tolerance=max(laser.power_tolerance, _POWER)),
        input_beam=launch,
        spacing_tolerance_m=bench.spacing_tolerance_m + _SLIPPED_M,
    )


def _filmed(mirror: MirrorDescription) -> MirrorDescription:
    return replace(mirror, reflectivity_tolerance=mirror.reflectivity_tolerance + _FILM)


def remembered(reference: ReferenceSetting, beam: Setting) -> Experience:
    """What the reference run learned, open about the light, and about the input beam where
    ``beam`` is no longer that of the reference setting."""
    learned = reference.learned
    shift = beam.as_array() - reference.setting.as_array()
    off = dict(zip(COORDINATES, shift, strict=True))
    widened = dict(_OF_MEMORY)
    mean = dict(zip(learned.names, learned.mean, strict=True))
    if any(abs(off[name]) > 1e-5 for name in COORDINATES[1:]):
        widened |= _SHIFTED
        for name in COORDINATES[1:]:
            if name in mean:  # the beam that needs this shift is off by as much the other way
                mean[name] -= float(off[name])
    covariance = np.array(learned.covariance)
    for place, name in enumerate(learned.names):
        covariance[place, place] += widened.get(name, 0.0) ** 2
    return Experience(
        Learned(
            learned.names,
            tuple(mean[name] for name in learned.names),
            tuple(tuple(map(float, row)) for row in covariance),
        ),
        max(1.0, reference.nights),
    )
