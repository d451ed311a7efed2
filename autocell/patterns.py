"""Which patterns a bench can reach, and how much margin each leaves.

Circular patterns: every spot lies on a circle through the hole, which spaces them evenly and
so keeps the neighbours of the hole as far from it as they can be.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from autocell.description import BenchDescription
from autocell.errors import NoSuchPattern, UsageError
from autocell.optics.cell import FloatArray
from autocell.optics.plateau import plateau_edges
from autocell.optics.trace import Path, exit_power, trace
from autocell.setting import Setting

CLEARANCE_WANTED = 2.5
"""Beam radii between the hole's edge and the nearest spot that must not leave through it."""

_REACHES_M = (3e-3, 12e-3, 36e-3)
"""How far around the expected spacing the plateau is looked for: few passes, wide plateau."""

_POINTS = 241
"""Spacings in one look."""


@dataclass(frozen=True)
class Pattern:
    """A pattern of the bench as its file describes it.

    ``orbits`` is how often the spots go round the axis before they close. ``setting`` sits in the
    middle of the plateau from ``low_m`` to ``high_m``. ``throughput`` is the share of the
    light arriving at the hole that leaves after ``passes`` passes. ``clearance_beam_radii`` is the
    distance from the hole's edge to the centre of the nearest other spot, in 1/e² radii of that
    spot. ``rejected`` says why the bench should not use it; empty when it may.
    """

    passes: int
    orbits: int
    setting: Setting
    path_length_m: float
    throughput: float
    clearance_beam_radii: float
    low_m: float
    high_m: float
    rejected: tuple[str, ...] = ()

    @property
    def plateau_width_m(self) -> float:
        """Distance between the edges along the spacing."""
        return self.high_m - self.low_m

    def as_json(self) -> dict[str, object]:
        """Plain JSON values."""
        return {
            "passes": self.passes,
            "orbits": self.orbits,
            "spacing_m": self.setting.spacing_m,
            "path_length_m": self.path_length_m,
            "throughput": self.throughput,
            "clearance_beam_radii": self.clearance_beam_radii,
            "plateau_width_m": self.plateau_width_m,
            "slope_x": self.setting.slope_x,
            "slope_y": self.setting.slope_y,
            "rejected": list(self.rejected),
        }


def list_patterns(bench: BenchDescription, *, max_passes: int = 100) -> list[Pattern]:
    """Every circular pattern of at most ``max_passes`` passes near the reach of the stage.

    Those that may be used come first, widest plateau first; then the rejected, with reasons.
    """
    low, high = spacing_reach(bench)
    found = [
        _work_out(bench, passes, orbits, spacing)
        for passes in range(4, max_passes + 1, 2)
        for orbits in range(1, passes // 2)
        if math.gcd(orbits, passes // 2) == 1
        for spacing in _paraxial_spacings(bench, 2.0 * math.pi * orbits / passes)
        if low - _REACHES_M[0] <= spacing <= high + _REACHES_M[0]
    ]
    return sorted(
        (pattern for pattern in found if pattern is not None),
        key=lambda pattern: (bool(pattern.rejected), -pattern.plateau_width_m),
    )


def choose_pattern(bench: BenchDescription, passes: int) -> Pattern:
    """The pattern of ``passes`` passes with the widest plateau.

    Raises NoSuchPattern, naming the nearest pass counts that can be had and why this one cannot.
    """
    if passes < 2:
        raise UsageError(f"{passes} passes: a pattern has at least 2")
    patterns = list_patterns(bench, max_passes=max(100, passes + 20))
    usable = [pattern for pattern in patterns if not pattern.rejected]
    for pattern in usable:
        if pattern.passes == passes:
            return pattern
    counts = sorted({pattern.passes for pattern in usable}, key=lambda n: (abs(n - passes), n))
    nearest = ", ".join(str(n) for n in sorted(counts[:4])) or "none at all"
    reasons = [p for p in patterns if p.passes == passes]
    if passes % 2:
        why = "an odd number leaves through the far mirror, which has no hole"
    elif reasons:
        why = "; ".join(reasons[0].rejected)
    else:
        low, high = (1e3 * value for value in spacing_reach(bench))
        why = f"no re-entrant spacing for it between {low:.1f} and {high:.1f} mm"
    raise NoSuchPattern(
        f"{passes} passes cannot be set on {bench.name!r}: {why}. Nearest that can: {nearest}."
    )


def closest_to_path(patterns: list[Pattern], path_length_m: float) -> list[Pattern]:
    """The same patterns, those whose path is closest to the wanted one first."""
    return sorted(patterns, key=lambda p: (bool(p.rejected), abs(p.path_length_m - path_length_m)))


def spacing_reach(bench: BenchDescription) -> tuple[float, float]:
    """Smallest and largest nominal spacing that the stage and the minimum gap allow, m."""
    stage = bench.axes["spacing"]
    zero = bench.spacing_at_zero_m
    return max(zero + stage.low, bench.minimum_gap_m), zero + stage.high


def _paraxial_spacings(bench: BenchDescription, advance: float) -> list[float]:
    """Spacings with this phase advance per pass: cos²θ = g1 g2, g = 1 − d/R (F4, F9)."""
    r1, r2 = bench.entrance_mirror.radius_m, bench.far_mirror.radius_m
    # (1 − d/R1)(1 − d/R2) = cos²θ, and cos θ has the sign of g1 (and g2)
    roots = np.roots([1.0 / (r1 * r2), -(1.0 / r1 + 1.0 / r2), 1.0 - math.cos(advance) ** 2])
    return [
        float(d.real)
        for d in roots
        if abs(d.imag) < 1e-12
        and d.real > 0.0
        and (1.0 - d.real / r1) * math.cos(advance) >= 0.0
        and (1.0 - d.real / r2) * math.cos(advance) >= 0.0
    ]


def circle_setting(bench: BenchDescription, spacing_m: float, advance: float) -> Setting:
    """The input beam that enters at the hole's centre and puts the spots on a circle.

    Radial slope −r/R1, tangential slope r g1 tan θ/d: F6 for equal mirrors. Of the two senses of
    rotation it takes the one nearer to where the input axes stand at zero.
    """
    x, y = bench.hole_x_m, bench.hole_y_m
    radius = bench.entrance_mirror.radius_m
    tangential = (1.0 - spacing_m / radius) * math.tan(advance) / spacing_m
    candidates = [
        Setting(
            spacing_m,
            x,
            y,
            -x / radius - sense * y * tangential,
            -y / radius + sense * x * tangential,
        )
        for sense in (1.0, -1.0)
    ]
    zero = bench.zero
    return min(
        candidates, key=lambda s: math.hypot(s.slope_x - zero.slope_x, s.slope_y - zero.slope_y)
    )


def _work_out(
    bench: BenchDescription, passes: int, orbits: int, paraxial_m: float
) -> Pattern | None:
    """The exact plateau of a pattern; None when it does not show at all."""
    advance = 2.0 * math.pi * orbits / passes
    start = circle_setting(bench, paraxial_m, advance)
    # F7: the exact re-entrant spacing is a little larger
    r2 = bench.hole_x_m**2 + bench.hole_y_m**2
    mean_radius = 0.5 * (bench.entrance_mirror.radius_m + bench.far_mirror.radius_m)
    guess = paraxial_m + (1.0 + math.cos(advance)) * r2 / (2.0 * mean_radius)
    low, high = _edges_of(bench, start, passes, guess)
    if not (math.isfinite(low) and math.isfinite(high)):
        return None
    stage_low, stage_high = spacing_reach(bench)
    centre = 0.5 * (max(low, stage_low) + min(high, stage_high))
    setting = start.at_spacing(centre if low < centre < high else 0.5 * (low + high))
    path = trace(bench.cell(setting.spacing_m), bench.beam(setting), passes)
    pattern = Pattern(
        passes,
        orbits,
        setting,
        float(path.path_length_m[passes]),
        float(path.leaks[passes, 0]),
        clearance(path, bench),
        low,
        high,
    )
    return replace(pattern, rejected=tuple(_objections(bench, pattern)))


def _edges_of(
    bench: BenchDescription, beam: Setting, passes: int, guess_m: float
) -> tuple[float, float]:
    """Edges of the plateau nearest to a spacing, looking further only when it is wide."""
    low = high = math.nan
    for reach in _REACHES_M:
        spacing = guess_m + np.linspace(-reach, reach, _POINTS)
        spacing = spacing[spacing > 0.0]
        seen = exit_power(
            bench.cell(0.0).at_spacing(spacing), bench.beam(beam), passes + 40, floor=1e-4
        )
        edges = plateau_edges(spacing, seen.power, seen.passes, seen.passes_power, passes, guess_m)
        low, high = (float(edge) for edge in edges)
        if math.isfinite(low) and math.isfinite(high):
            break
    return low, high


def clearance(path: Path, bench: BenchDescription) -> float:
    """Distance from the hole's edge to the nearest spot before the exit, in radii of that spot."""
    places = path.position_m[2:-1:2]
    radii: FloatArray = path.beam_radii_m[0][2:-1:2]
    if len(places) == 0:
        return math.inf
    apart = np.hypot(places[:, 0] - bench.hole_x_m, places[:, 1] - bench.hole_y_m)
    return float(np.min((apart - bench.hole_radius_m) / radii))


def _objections(bench: BenchDescription, pattern: Pattern) -> list[str]:
    """Why the bench should not use a pattern."""
    found = []
    if pattern.clearance_beam_radii < CLEARANCE_WANTED:
        found.append(
            f"the spot nearest to the hole clears it by {pattern.clearance_beam_radii:.1f} beam "
            f"radii, {CLEARANCE_WANTED} are wanted"
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
                f"{name} would have to stand at {1e3 * positions[name]:.2f} {axis.unit}, its limits "
                f"are {1e3 * axis.low:.2f} and {1e3 * axis.high:.2f}"
            )
    return found
