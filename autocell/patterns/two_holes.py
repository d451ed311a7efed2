"""Ellipses and lines that begin at the entrance hole and end at another one.

Where light leaves as it came, every shape closes at the same re-entrant spacing. From one hole to
another only the circle has a spacing of its own; besides it, each spacing has one ellipse that
leads there in N passes (:mod:`autocell.optics.aiming`). It leans as the holes ask, and becomes ever
longer towards the spacings at which Nθ is a whole number of half-turns. So between two of these
there is one pattern for each N, and its best spacing is looked for.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from autocell.description import BenchDescription
from autocell.optics.aiming import Aim, exact_slopes, in_line, paraxial_aim
from autocell.optics.reentrance import phase_advance, spacing_for_advance
from autocell.patterns.judging import Launch, best_of, rank, spacing_reach
from autocell.patterns.pattern import Pattern, Shape
from autocell.setting import Setting

_COARSE, _FINE = 12, 4
"""Steps between two half-turns, and parts of one around the best."""

_SPACINGS = 50
"""Spacings at which is asked whether a circle meets the way out."""


def shape_between_holes(bench: BenchDescription) -> Shape | None:
    """What leads from the entrance hole to the way out besides a circle: an ellipse, or a line if
    both holes lie on one through the axis.

    None where that is no question: light that leaves as it came, or at the same distance from the
    axis straight beside or opposite, does so in every shape.
    """
    end = bench.way_out
    if end is None:
        return None
    if not in_line(bench.entrance_hole.centre_m, end.centre_m):
        return "ellipse"
    within_reach = np.linspace(*spacing_reach(bench), _SPACINGS)
    met = any(misses_way_out(bench, float(spacing_m)) is None for spacing_m in within_reach)
    return None if met else "line"


def misses_way_out(bench: BenchDescription, spacing_m: float) -> str | None:
    """Why a circle through the entrance hole meets no other hole at this spacing, if so: it meets
    the far mirror r √(g1/g2) from the axis, and its own at r."""
    end, r_m = bench.way_out, bench.entrance_hole.off_axis_m
    if end is None:
        return None
    g1, g2 = (
        1.0 - spacing_m / mirror.mean_radius_m
        for mirror in (bench.entrance_mirror, bench.far_mirror)
    )
    if bench.exit_mirror == "far" and g1 != g2:
        if not g1 * g2 > 0.0:
            return "the cell is unstable"
        r_m *= math.sqrt(g1 / g2)
    if abs(r_m - end.off_axis_m) <= end.radius_m:
        return None
    return (
        f"a circle through the entrance hole meets the {bench.exit_mirror} mirror {1e3 * r_m:.1f} "
        f"mm from the axis, and the way out is {1e3 * end.off_axis_m:.1f} mm from it"
    )


def patterns_between_holes(bench: BenchDescription, passes: Iterable[int]) -> list[Pattern]:
    """The best of each number of passes and half-turns within reach of the stage."""
    found = []
    for n in passes:
        low, high = (_half_turns(bench, n, spacing_m) for spacing_m in spacing_reach(bench))
        if math.isnan(low + high):
            continue
        for half in range(max(math.floor(low), 0), min(math.floor(high), n - 1) + 1):
            pattern = _best(bench, n, half)
            if pattern is not None:
                found.append(pattern)
    return found


def best_of_each(bench: BenchDescription, patterns: Iterable[Pattern]) -> list[Pattern]:
    """Of several with the same passes and half-turns the one with the largest margin."""
    best: dict[tuple[int, int], Pattern] = {}
    for pattern in sorted(patterns, key=rank):
        turned = _half_turns(bench, pattern.passes, pattern.setting.spacing_m)
        best.setdefault((pattern.passes, math.floor(turned)), pattern)
    return list(best.values())


def _half_turns(bench: BenchDescription, passes: int, spacing_m: float) -> float:
    """Nθ/π, paraxial; NaN where the cell is unstable."""
    one, two = bench.entrance_mirror.mean_radius_m, bench.far_mirror.mean_radius_m
    return float(passes * phase_advance(spacing_m, one, two) / math.pi)


def _best(bench: BenchDescription, passes: int, half: int) -> Pattern | None:
    """The best between this half-turn and the next; None where the stage reaches no spacing."""
    coarse = [i / _COARSE for i in range(1, _COARSE)]
    launches = _launches(bench, passes, [half + u for u in coarse])
    if not launches:
        return None
    best = best_of(bench, launches)
    if best.plateau_width_m == 0.0:  # nothing shows: nothing to refine
        return best
    at = _half_turns(bench, passes, best.setting.spacing_m)
    near = [at + i / (_COARSE * _FINE) for i in range(1 - _FINE, _FINE)]
    # at a whole half-turn no slope says where the light ends
    finer = _launches(bench, passes, [u for u in near if half + 1e-3 < u < half + 1 - 1e-3])
    return min(best, best_of(bench, finer), key=rank) if finer else best


def _launches(bench: BenchDescription, passes: int, half_turns: list[float]) -> list[Launch]:
    """What leads to the way out at these half-turns, where the stage reaches their spacing: those
    that fit on both mirrors, or if none does the smallest."""
    low, high = spacing_reach(bench)
    one, two = bench.entrance_mirror, bench.far_mirror
    radii_m = one.mean_radius_m, two.mean_radius_m
    start, end = bench.entrance_hole, bench.way_out
    assert end is not None
    aims: list[tuple[float, float, Aim]] = []
    for turned in half_turns:
        spacing_m = float(spacing_for_advance(turned * math.pi / passes, *radii_m))
        if low <= spacing_m <= high:
            aim = paraxial_aim(spacing_m, *radii_m, start.centre_m, end.centre_m, passes)
            aims.append((turned, spacing_m, aim))
    fitting = [
        found
        for found in aims
        if found[2].large_m < one.aperture_radius_m and found[2].far_large_m < two.aperture_radius_m
    ]
    if not fitting:
        fitting = sorted(aims, key=lambda found: found[2].large_m)[:1]
    return [_launch(bench, passes, *found) for found in fitting]


def _launch(
    bench: BenchDescription, passes: int, turned: float, spacing_m: float, aim: Aim
) -> Launch:
    """The exact input beam; the paraxial one where the exact trace finds no way to the hole."""
    start, end = bench.entrance_hole, bench.way_out
    assert end is not None
    setting = Setting(spacing_m, start.x_m, start.y_m, aim.slope_x, aim.slope_y)
    cell, beam = bench.cell(spacing_m), bench.beam(setting)
    try:
        slope_x, slope_y = exact_slopes(cell, beam, passes, end.centre_m)
    except ValueError:
        pass
    else:
        setting = replace(setting, slope_x=slope_x, slope_y=slope_y)
    return Launch(passes, int(turned // 2), aim.small_m / aim.large_m, setting)
