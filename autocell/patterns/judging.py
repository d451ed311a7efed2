"""What a launch comes to on a bench: its plateau, margins and clearances, by the exact trace."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from autocell.description import BenchDescription
from autocell.errors import UsageError
from autocell.optics.plateau import plateau_edges
from autocell.optics.sensitivity import PARAMETERS, plateau_margins
from autocell.optics.spots import spot_table
from autocell.optics.trace import exit_power, trace
from autocell.patterns.pattern import Pattern
from autocell.setting import Setting

CLEARANCE_WANTED = 2.5
"""Beam radii between an edge and a spot that it should not touch."""

LOOK_M = (3e-3, 12e-3, 36e-3)
"""How far around the expected spacing the plateau is looked for: few passes, wide plateau."""

_POINTS = 241
"""Spacings in one look."""


@dataclass(frozen=True)
class Launch:
    """An input beam to try, and where its plateau should be."""

    passes: int
    orbits: int
    axis_ratio: float
    setting: Setting


def spacing_reach(bench: BenchDescription) -> tuple[float, float]:
    """Smallest and largest nominal spacing that may be asked for, m."""
    low, high = bench.reach("spacing")
    return bench.spacing_at_zero_m + low, bench.spacing_at_zero_m + high


def judge(bench: BenchDescription, launch: Launch) -> Pattern:
    """The pattern that a launch makes, rejected when it should not be used."""
    return with_margin(bench, outline(bench, launch))


def best_of(bench: BenchDescription, launches: Iterable[Launch]) -> Pattern:
    """The one with the largest margin; where none may be used, the one that comes nearest to it.

    Margins take longest, so they are worked out only of what may be used otherwise.
    """
    drawn = [outline(bench, launch) for launch in launches]
    usable = [pattern for pattern in drawn if not pattern.rejected]
    nearly = min(
        drawn, key=lambda p: (p.plateau_width_m == 0.0, len(p.rejected), -p.plateau_width_m)
    )
    return min((with_margin(bench, p) for p in usable or [nearly]), key=rank)


def rank(pattern: Pattern) -> tuple[bool, float]:
    """Those that may be used before those that may not, and then the largest margin first."""
    return bool(pattern.rejected), -pattern.margin_drifts


def outline(bench: BenchDescription, launch: Launch) -> Pattern:
    """Everything about a pattern but its margin, which takes longest."""
    low, high = _edges_of(bench, launch)
    if not (math.isfinite(low) and math.isfinite(high)):
        return _without_plateau(bench, launch)
    stage_low, stage_high = spacing_reach(bench)
    centre = 0.5 * (max(low, stage_low) + min(high, stage_high))
    setting = launch.setting.at_spacing(centre if low < centre < high else 0.5 * (low + high))
    cell = bench.cell(setting.spacing_m)
    path = trace(cell, bench.beam(setting), launch.passes)
    spots = spot_table(cell, path)[1:]
    pattern = Pattern(
        passes=launch.passes,
        orbits=launch.orbits,
        axis_ratio=launch.axis_ratio,
        setting=setting,
        path_length_m=float(path.path_length_m[launch.passes]),
        throughput=float(path.exit.passes_power),
        clearance_beam_radii=min(spot.hole_clearance for spot in spots[:-1]),
        aperture_clearance_beam_radii=min(spot.aperture_clearance for spot in spots),
        low_m=low,
        high_m=high,
        margin_drifts=math.nan,
        limited_by="",
    )
    found = _objections(bench, pattern)
    # holes are counted from the entrance, an exit hole in the same mirror is the next
    if bench.way_out is bench.exit_hole is not None and path.leaks[-1, 0] > path.leaks[-1, 1]:
        found.insert(0, "its light leaves by the entrance hole again, not by the exit hole")
    return replace(pattern, rejected=tuple(found))


def _without_plateau(bench: BenchDescription, launch: Launch) -> Pattern:
    """What can be said of a launch whose plateau does not show, or does not end: no margin."""
    spacing_m = launch.setting.spacing_m
    cell, beam = bench.cell(spacing_m), bench.beam(launch.setting)
    path = trace(cell, beam, launch.passes)
    spots = spot_table(cell, path)[1:]
    seen = exit_power(cell, beam, launch.passes + 40, floor=1e-4)
    shows = int(seen.passes) == launch.passes
    at = f"at {1e3 * spacing_m:.1f} mm"
    if shows:
        why = f"{at} its plateau does not end within {1e3 * LOOK_M[-1]:.0f} mm"
    else:
        why = (
            f"{at} its light does not reach the detector: it leaves by another hole or earlier, "
            "is cut, or falls beside"
        )
    return Pattern(
        passes=launch.passes,
        orbits=launch.orbits,
        axis_ratio=launch.axis_ratio,
        setting=launch.setting,
        path_length_m=float(path.path_length_m[launch.passes]),
        throughput=float(seen.passes_power) if shows else 0.0,
        clearance_beam_radii=min((spot.hole_clearance for spot in spots[:-1]), default=0.0),
        aperture_clearance_beam_radii=min((s.aperture_clearance for s in spots), default=0.0),
        low_m=spacing_m,
        high_m=spacing_m,
        margin_drifts=0.0,
        limited_by="spacing",
        rejected=(why,),
    )


def with_margin(bench: BenchDescription, pattern: Pattern) -> Pattern:
    """The pattern with its margin, and rejected if one night may use it up; one that shows no
    plateau has none to measure.

    The plateau edges come from the whole beam, so that a neighbour that leaks through the hole, or
    a spot cut by a mirror's edge, ends a margin as a spot that leaves the hole does.
    """
    if pattern.plateau_width_m == 0.0:
        return pattern
    margin, axis = _margin(bench, pattern.setting, pattern.passes)
    rejected = pattern.rejected
    if margin < 1.0:
        why = f"one night's drift of {axis} is more than the plateau leaves it: {margin:.2f} drifts"
        rejected = (*rejected, why)
    return replace(pattern, margin_drifts=margin, limited_by=axis, rejected=rejected)


def _edges_of(bench: BenchDescription, launch: Launch) -> tuple[float, float]:
    """Edges of the plateau nearest to a spacing, looking further only when it is wide."""
    expected, beam = launch.setting.spacing_m, bench.beam(launch.setting)
    low = high = math.nan
    for reach in LOOK_M:
        spacing = expected + np.linspace(-reach, reach, _POINTS)
        spacing = spacing[spacing > 0.0]
        cell = bench.cell(0.0).at_spacing(spacing)
        seen = exit_power(cell, beam, launch.passes + 40, floor=1e-4)
        edges = plateau_edges(
            spacing, seen.path_power, seen.passes, seen.passes_power, launch.passes, expected
        )
        low, high = (float(edge) for edge in edges)
        if math.isfinite(low) and math.isfinite(high):
            break
    return low, high


def _margin(bench: BenchDescription, setting: Setting, passes: int) -> tuple[float, str]:
    """Overnight drifts from a setting to the nearest end of its plateau, and along which axis."""
    drifting = [axis for axis in bench.axes.values() if axis.overnight_drift > 0.0]
    if not drifting:
        return math.inf, "none"
    directions = np.zeros((len(drifting), len(PARAMETERS)))
    directions[:, :5] = [axis.effect for axis in drifting]  # PARAMETERS begin with the setting
    cell, beam = bench.cell(setting.spacing_m), bench.beam(setting)
    room = plateau_margins(cell, beam, passes, directions).smaller
    drifts = room / [axis.overnight_drift for axis in drifting]
    least = int(np.argmin(drifts))
    return float(drifts[least]), drifting[least].name


def _objections(bench: BenchDescription, pattern: Pattern) -> list[str]:
    """Why the bench should not use a pattern."""
    found = []
    if pattern.clearance_beam_radii < CLEARANCE_WANTED:
        found.append(
            f"the spot nearest to the hole clears it by {pattern.clearance_beam_radii:.1f} beam "
            f"radii, {CLEARANCE_WANTED} are wanted"
        )
    if pattern.aperture_clearance_beam_radii < CLEARANCE_WANTED:
        found.append(
            f"the outermost spot is {pattern.aperture_clearance_beam_radii:.1f} beam radii inside "
            f"the clear aperture, {CLEARANCE_WANTED} are wanted"
        )
    low, high = spacing_reach(bench)
    if not low <= 0.5 * (pattern.low_m + pattern.high_m) <= high:
        found.append(
            f"the plateau, {1e3 * pattern.low_m:.2f} to {1e3 * pattern.high_m:.2f} mm, is centred "
            f"beyond the reach of the stage, {1e3 * low:.2f} to {1e3 * high:.2f} mm"
        )
    try:
        positions = bench.positions(pattern.setting)
    except UsageError as error:
        return [*found, str(error)]
    for name, axis in bench.axes.items():
        if name != "spacing" and not axis.low <= positions[name] <= axis.high:
            found.append(
                f"{name} would have to stand at {1e3 * positions[name]:.2f} {axis.unit}, its "
                f"limits are {1e3 * axis.low:.2f} and {1e3 * axis.high:.2f}"
            )
    return found
