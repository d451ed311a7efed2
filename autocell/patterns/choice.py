"""From wanted passes, path length and shape to the patterns of a bench, best first."""

from __future__ import annotations

import math
from dataclasses import replace

from autocell.description import BenchDescription
from autocell.errors import NoSuchPattern, UsageError
from autocell.optics.aiming import in_line
from autocell.optics.reentrance import CircularOrbit, reentrant_circle, reentrant_spacings
from autocell.optics.spots import spot_table
from autocell.optics.trace import trace
from autocell.patterns.judging import (
    CLEARANCE_WANTED,
    LOOK_M,
    Launch,
    best_of,
    judge,
    rank,
    spacing_reach,
)
from autocell.patterns.pattern import Pattern, Shape
from autocell.patterns.two_holes import (
    best_of_each,
    misses_way_out,
    patterns_between_holes,
    shape_between_holes,
)
from autocell.setting import Setting

MOST_PASSES = 1000
"""More than any published cell has by far; looking for more would only take time and memory."""

_NEAREST_AMONG = 300
"""Passes up to which the nearest that can be had are looked for."""

_COARSE, _FINE = 10, 4
"""Steps of the axis ratio from the line to the widest ellipse, and parts of one around the best."""


def list_patterns(
    bench: BenchDescription,
    *,
    max_passes: int = 100,
    shape: Shape | None = "circle",
    passes: int | None = None,
) -> list[Pattern]:
    """Every pattern of at most ``max_passes`` passes, or of just ``passes``, near the reach of the
    stage: those that may be used first, largest margin first; then the rejected, with reasons.

    Args:
        shape: of the spots. For an ellipse the axis ratio, and when None the shape too, is the
            one that leaves the largest margin while the spots clear holes and apertures.
    """
    most = passes or max_passes
    between = shape_between_holes(bench)
    if between is None:
        found = _through_the_hole(bench, most, passes, shape)
    elif shape == "circle":
        found = _circles(bench, most, passes)
    elif shape in (None, between):
        odd = bench.exit_mirror == "far"
        counts = [passes] if passes else range(3 if odd else 2, most + 1, 2)
        found = patterns_between_holes(bench, [n for n in counts if n % 2 == odd])
        if shape is None:
            found = best_of_each(bench, [*found, *_circles(bench, most, passes)])
    else:
        why = (
            f"no {shape} leads from the entrance hole to the way out: "
            + ("they do not lie" if between == "ellipse" else "at different distances they lie")
            + " on one line through the axis"
        )
        rows = _through_the_hole(bench, most, passes, shape)
        found = [replace(pattern, rejected=(why,)) for pattern in rows]
    return sorted(found, key=rank)


def _circles(bench: BenchDescription, most: int, passes: int | None) -> list[Pattern]:
    """Circles to another hole, with the reason where they pass it by."""
    found = _through_the_hole(bench, most, passes, "circle")
    why = [misses_way_out(bench, pattern.setting.spacing_m) for pattern in found]
    return [
        pattern if reason is None else replace(pattern, rejected=(reason,))
        for pattern, reason in zip(found, why, strict=True)
    ]


def _through_the_hole(
    bench: BenchDescription, most: int, passes: int | None, shape: Shape | None
) -> list[Pattern]:
    """Patterns that begin at an end of an axis of theirs, at the spacings of their circles."""
    low, high = spacing_reach(bench)
    one, two = bench.entrance_mirror.mean_radius_m, bench.far_mirror.mean_radius_m
    circle_m = bench.entrance_hole.off_axis_m
    found = []
    for azimuth, senses in _ways_round(bench):
        rows = reentrant_spacings(
            one,
            two,
            low - LOOK_M[0] - _exact_beyond_paraxial(bench),
            high + LOOK_M[0],
            most,
            bench.exit_mirror,
            azimuth,
        )
        for n, orbits, paraxial_m in rows.tolist():
            if passes is None or n == passes:
                try:
                    orbit = reentrant_circle(n, orbits, one, two, circle_m, azimuth)
                except ValueError:
                    continue  # its circle is wider than the far mirror is round
                line_m = 0.5 * (paraxial_m + orbit.spacing_m)
                nearest_m = orbit.spacing_m if shape == "circle" else line_m
                farthest_m = line_m if shape == "line" else orbit.spacing_m
                if farthest_m > low - LOOK_M[0] and nearest_m < high + LOOK_M[0]:
                    found.append(_best(bench, n, orbits, orbit, senses, paraxial_m, shape))
    return found


def choose_pattern(
    bench: BenchDescription, passes: int, *, shape: Shape | None = "circle"
) -> Pattern:
    """The pattern of ``passes`` passes, and of a shape, with the largest margin.

    Raises NoSuchPattern, naming the nearest pass counts that can be had and why this one cannot;
    UsageError for fewer than 2 passes or more than :data:`MOST_PASSES`.
    """
    if not 2 <= passes <= MOST_PASSES:
        raise UsageError(f"{passes} passes: a pattern has 2 to {MOST_PASSES}")
    ours = list_patterns(bench, shape=shape, passes=passes)
    if ours and not ours[0].rejected:
        return ours[0]
    if ours:
        why = "; ".join(ours[0].rejected)
    elif passes % 2 == 1 and bench.exit_mirror == "entrance":
        why = "an odd number leaves through the far mirror, " + (
            "which has no hole" if bench.far_hole is None else "and exit_mirror is the entrance"
        )
    elif passes % 2 == 0 and bench.exit_mirror == "far":
        why = "an even number leaves through the entrance mirror, and exit_mirror is the far one"
    else:
        low, high = (1e3 * value for value in spacing_reach(bench))
        why = f"no re-entrant spacing for it between {low:.1f} and {high:.1f} mm"
    patterns = list_patterns(
        bench, max_passes=min(max(100, passes + 20), _NEAREST_AMONG), shape=shape
    )
    usable = {pattern.passes for pattern in patterns if not pattern.rejected}
    counts = sorted(usable, key=lambda n: (abs(n - passes), n))
    nearest = ", ".join(str(n) for n in sorted(counts[:4]))
    if not nearest:
        nearest = "none at all" if shape is None else f"none as a {shape}; another shape may"
    raise NoSuchPattern(
        f"{passes} passes cannot be set on {bench.name!r}: {why}. Nearest that can: {nearest}."
    )


def closest_to_path(patterns: list[Pattern], path_length_m: float) -> list[Pattern]:
    """The same patterns, those whose path is closest to the wanted one first."""

    def off_m(pattern: Pattern) -> float:
        return abs(pattern.path_length_m - path_length_m)

    # light that goes astray has no path at all
    return sorted(patterns, key=lambda p: (bool(p.rejected), math.isnan(off_m(p)), off_m(p)))


def _ways_round(bench: BenchDescription) -> list[tuple[float, tuple[float, ...]]]:
    """Azimuths of the exit hole from the entrance hole, counted the way the spots go round, each
    with the senses of rotation that it is for: one for both where they mirror each other."""
    start, end = bench.entrance_hole, bench.way_out
    if end is None:
        return [(0.0, (1.0, -1.0))]
    azimuth = end.azimuth_rad - start.azimuth_rad
    if in_line(start.centre_m, end.centre_m):
        return [(azimuth, (1.0, -1.0))]
    return [(azimuth, (1.0,)), (-azimuth, (-1.0,))]


def _exact_beyond_paraxial(bench: BenchDescription) -> float:
    """The most by which the exact spacing of a circle exceeds the paraxial one, m.

    (1 + cos θ)(R − √(R² − r²)) between equal mirrors: at most the sagittas of both circles.
    """
    one, two = bench.entrance_mirror, bench.far_mirror
    circle_m = bench.entrance_hole.off_axis_m
    far_m = max(circle_m, two.aperture_radius_m)
    return sum(
        radius_m - math.sqrt(max(radius_m**2 - r_m**2, 0.0))
        for radius_m, r_m in ((one.mean_radius_m, circle_m), (two.mean_radius_m, far_m))
    )


def _best(
    bench: BenchDescription,
    passes: int,
    orbits: int,
    orbit: CircularOrbit,
    senses: tuple[float, ...],
    paraxial_m: float,
    shape: Shape | None,
) -> Pattern:
    """The pattern of this shape with the largest margin."""

    def launch(ratio: float) -> Launch:
        return _launch(bench, passes, orbits, orbit, senses, paraxial_m, ratio)

    if shape in ("line", "circle"):
        return judge(bench, launch(0.0 if shape == "line" else 1.0))

    widest = _widest(bench, launch(1.0))
    step = widest / _COARSE
    ellipses = [step * i for i in range(1, _COARSE + 1) if step * i != 1.0]
    tried = ellipses if shape == "ellipse" else [0.0, 1.0, *ellipses]
    best = best_of(bench, map(launch, tried))
    if best.plateau_width_m == 0.0:  # no shape shows: nothing to refine
        return best
    near = [best.axis_ratio + step * i / _FINE for i in range(1 - _FINE, _FINE) if i]
    finer = [ratio for ratio in near if 0.0 < ratio <= widest and ratio != 1.0]
    return min(best, best_of(bench, map(launch, finer)), key=rank) if finer else best


def _launch(
    bench: BenchDescription,
    passes: int,
    orbits: int,
    orbit: CircularOrbit,
    senses: tuple[float, ...],
    paraxial_m: float,
    axis_ratio: float,
) -> Launch:
    """The input beam that enters at the hole's centre and makes an ellipse of this ratio b/a.

    Radial slope and, times b/a, tangential slope of the exact circle; of the ``senses`` of rotation
    the one nearer to where the input axes stand at zero. The re-entrant spacing of the circle is
    larger than the paraxial one by an amount that goes as r²; for the ellipse it is expected to
    go as (a² + b²)/2, and is looked for around there.
    """
    hole = bench.entrance_hole
    spacing = paraxial_m + (orbit.spacing_m - paraxial_m) * 0.5 * (1.0 + axis_ratio**2)
    zero = bench.zero
    slopes = min(
        (orbit.input_slopes(hole.azimuth_rad, sense * axis_ratio) for sense in senses),
        key=lambda s: math.hypot(s[0] - zero.slope_x, s[1] - zero.slope_y),
    )
    setting = Setting(spacing, hole.x_m, hole.y_m, *slopes)
    return Launch(passes, orbits, axis_ratio, setting)


def _widest(bench: BenchDescription, circle: Launch) -> float:
    """The largest b/a whose spots still clear the apertures as far as wanted; at least 1."""
    cell, beam = bench.cell(circle.setting.spacing_m), bench.beam(circle.setting)
    spots = spot_table(cell, trace(cell, beam, circle.passes))[1:]
    ratios = [
        1.0 + (s.aperture_clearance - CLEARANCE_WANTED) * s.radius_large_m / distance_m
        for s in spots
        if (distance_m := math.hypot(s.x_m, s.y_m)) > 0.0
    ]
    return max(1.0, min(ratios, default=1.0))
