"""How far a bench may be believed when its light says that something has happened to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from autocell.description import BenchDescription, MirrorDescription
from autocell.outcome import Learned
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.tuning import Experience
from autocell.setting import COORDINATES, Setting

_ROOM = 1.25
"""By so much more than what is missing may the light have changed."""

_FILM = 0.004
"""The most that a reflection may have lost: a film of half a year. No mirror becomes cleaner."""

_SLIPPED_M = 2e-3
_TURNED, _AROUND_M = 8e-3, 2e-4
"""How far a launch is turned by a knock, and how well its place is known once it was put between
the edges of the hole."""

_PIVOT_M = 0.25
"""From the hole to what a launch turns about, at least: so much shift for each radian."""

_ACROSS = 0.8
"""Of the hole's radius: where nobody has looked, the beam is no further off than that."""

_OF_MEMORY = {"log_gain": 0.4, "reflectivity": 8e-4}
"""Standard deviations, SI, added to what is remembered of the light. Three times as much is then
believed possible: a memory widens what it remembers."""

_SHIFTED = {"x_m": 1e-4, "y_m": 1e-4, "slope_x": 3e-3, "slope_y": 3e-3}
"""The same for a beam that was found elsewhere in the hole: it was turned by nobody knows what."""


def doubted(
    bench: BenchDescription, passes: int, power: float, *, beam_m: float | None, slipped: bool
) -> BenchDescription:
    """The bench file with tolerances as wide as what may have happened to it, no wider: what is
    not in doubt tells pass counts apart. Magnitudes are common practice, no source.

    ``power`` is the light that is left of ``passes`` passes (one: all), ``beam_m`` how far the
    input beam was found from where it was: zero where it is there, None where nobody has looked.
    With ``slipped`` a mirror may have moved as well.
    """
    lost = max(power, 1.0 / power) * _ROOM if abs(power - 1.0) > bench.recovery.power_within else 1
    laser, launch = bench.laser, bench.input_beam
    film = min(_FILM, np.log(lost) / (passes - 1))
    across_m = _ACROSS * bench.entrance_hole.radius_m if beam_m is None else beam_m + _AROUND_M
    if beam_m != 0.0:
        launch = replace(
            launch,
            position_tolerance_m=launch.position_tolerance_m + across_m,
            slope_tolerance=launch.slope_tolerance + max(_TURNED, (beam_m or 0.0) / _PIVOT_M),
        )
    return replace(
        bench,
        entrance_mirror=_filmed(bench.entrance_mirror, film),
        far_mirror=_filmed(bench.far_mirror, film),
        laser=replace(laser, power_tolerance=(1.0 + laser.power_tolerance) * lost - 1.0),
        input_beam=launch,
        spacing_tolerance_m=bench.spacing_tolerance_m + (_SLIPPED_M if slipped else 0.0),
    )


def _filmed(mirror: MirrorDescription, film: float) -> MirrorDescription:
    return replace(mirror, reflectivity_tolerance=mirror.reflectivity_tolerance + film)


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
