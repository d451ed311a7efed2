"""Margins, and what the readings told of the bench, in words and trade units."""

from __future__ import annotations

import math

from autocell.outcome import AxisMargin, Combination, Finding, Outcome
from autocell.report import words

MARGIN_HEAD = ("Axis", "Down", "Up", "Drift overnight", "Nights", "Both ends")
FINDING_HEAD = ("Of the bench", "Found", "Bench file")

_UNITS = {
    "spacing_offset_m": (1e3, " mm"),
    "entrance_radius_m": (1e3, " mm"),
    "far_radius_m": (1e3, " mm"),
    "x_m": (1e3, " mm"),
    "y_m": (1e3, " mm"),
    "slope_x": (1e3, " mrad"),
    "slope_y": (1e3, " mrad"),
    "entrance_tilt_x_rad": (1e3, " mrad"),
    "entrance_tilt_y_rad": (1e3, " mrad"),
    "far_tilt_x_rad": (1e3, " mrad"),
    "far_tilt_y_rad": (1e3, " mrad"),
    "hole_radius_m": (2e3, " mm"),
    "dark_w": (1e6, " µW"),
    "log_gain": (1e2, " %"),
}
"""What a number is multiplied by, and its unit; without an entry it is told as it is. The hole is
told by its diameter."""


def margin_rows(outcome: Outcome) -> list[tuple[str, ...]]:
    """One row an axis, as :data:`MARGIN_HEAD` says."""
    return [
        (
            margin.axis,
            _distance(margin, margin.low, margin.low_u),
            _distance(margin, margin.high, margin.high_u),
            f"{1e3 * margin.overnight_drift:g} {margin.unit}",
            f"{margin.nights:.0f}" if math.isfinite(margin.nights) else "no end found",
            "read at" if margin.located else "predicted",
        )
        for margin in outcome.margins
    ]


def finding_rows(outcome: Outcome) -> list[tuple[str, str, str]]:
    """What the readings could tell, as :data:`FINDING_HEAD` says; the best known first."""
    told = [found for found in outcome.findings if found.observable]
    told.sort(key=lambda found: found.u / found.file_u)
    rows = [
        (
            found.words,
            _pair(found, found.value, found.u),
            _pair(found, found.file_value, found.file_u),
        )
        for found in told
    ]
    if outcome.spacing_and_radii is not None:
        rows.insert(0, (*_combination(outcome.spacing_and_radii), ""))
    return rows


def not_observable(outcome: Outcome) -> str:
    """What the readings could not tell, in a sentence; empty when they told everything."""
    rest = [found.words for found in outcome.findings if not found.observable]
    if not rest:
        return ""
    return (
        "These readings cannot tell "
        + ", ".join(rest)
        + ": each is known hardly better than the bench file has it."
    )


def _combination(known: Combination) -> tuple[str, str]:
    terms = "".join(
        f" {'+' if weight >= 0.0 else '−'} {abs(weight):.2f} × that of the "
        f"{'entrance' if name.startswith('entrance') else 'far'} radius"
        for name, weight in known.weights
    )
    value, u = words.with_uncertainty(1e3 * known.value_m, 1e3 * known.u_m)
    return f"the error of the spacing{terms}, together", f"{value} ± {u} mm"


def _distance(margin: AxisMargin, value: float | None, u: float | None) -> str:
    if value is None:
        return "no end found"
    told, around = words.with_uncertainty(1e3 * value, 1e3 * (u or 0.0))
    return f"{told} ± {around} {margin.unit}" if u else f"{told} {margin.unit}"


def _pair(found: Finding, value: float, u: float) -> str:
    if found.name == "log_gain":  # told by how much more power there is
        value, u = math.expm1(value), math.exp(value) * u
    factor, unit = _UNITS.get(found.name, (1.0, ""))
    told, around = words.with_uncertainty(factor * value, factor * u)
    return f"{told} ± {around}{unit}"
