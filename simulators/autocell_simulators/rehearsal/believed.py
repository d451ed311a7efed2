"""Benches as a belief has them, instead of anywhere within the tolerances of a bench file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from autocell.description import BenchDescription
from autocell.outcome import Learned
from autocell_simulators.seeds import stream
from autocell_simulators.truth import Truth

_OFFSETS = {
    "spacing_offset_m": "spacing_offset_m",
    "x_m": "beam_x_offset_m",
    "y_m": "beam_y_offset_m",
    "slope_x": "beam_slope_x_offset",
    "slope_y": "beam_slope_y_offset",
    "entrance_tilt_x_rad": "entrance_tilt_x_rad",
    "entrance_tilt_y_rad": "entrance_tilt_y_rad",
    "far_tilt_x_rad": "far_tilt_x_rad",
    "far_tilt_y_rad": "far_tilt_y_rad",
    "hole_radius_m": "hole_radius_m",
}
"""Unknowns of a belief that the truth has under another name, or the same."""


def believed(description: BenchDescription, truth: Truth, learned: Learned) -> Truth:
    """The bench ``truth`` with what a belief knows of drawn from it, by the seed of the bench.

    Effects that no belief knows of stay as they were drawn, and so do the dark level and the
    stray light.
    """
    rng = stream(truth.seed, "truth: belief")
    drawn = rng.multivariate_normal(np.array(learned.mean), np.array(learned.covariance))
    value = dict(zip(learned.names, map(float, drawn), strict=True))
    changed: dict[str, object] = {
        _OFFSETS[name]: number for name, number in value.items() if name in _OFFSETS
    }
    for side in ("entrance", "far"):
        changed |= _radii(truth, side, value)
    if "reflectivity" in value:
        mean = math.sqrt(truth.entrance_reflectivity * truth.far_reflectivity)
        for name in ("entrance_reflectivity", "far_reflectivity"):
            changed[name] = min(getattr(truth, name) * value["reflectivity"] / mean, 1.0)
    if "waist" in value:
        file_m = description.input_beam.waist_m
        wider = value["waist"] * 2.0 * file_m / (truth.waist_x_m + truth.waist_y_m)
        changed |= {"waist_x_m": truth.waist_x_m * wider, "waist_y_m": truth.waist_y_m * wider}
    if "log_gain" in value:
        changed["gain"] = math.exp(value["log_gain"])
    changed["axis_gain"] = {
        axis: 1.0 + value.get(f"scale of {axis}", gain - 1.0)
        for axis, gain in truth.axis_gain.items()
    }
    changed["axis_coupling"] = {
        axis: {other: value.get(f"{axis} into {other}", share) for other, share in shares.items()}
        for axis, shares in truth.axis_coupling.items()
    }
    return replace(truth, **changed)  # type: ignore[arg-type]


def _radii(truth: Truth, side: str, value: Mapping[str, float]) -> dict[str, float]:
    """Both radii of a mirror: that in x is the one a belief is about. The ratio is drawn where the
    belief has one, and else as it was."""
    x_m, y_m = getattr(truth, f"{side}_radius_x_m"), getattr(truth, f"{side}_radius_y_m")
    ratio = value.get(f"{side}_ratio", y_m / x_m)
    x_m = value.get(f"{side}_radius_m", x_m)
    return {f"{side}_radius_x_m": x_m, f"{side}_radius_y_m": x_m * ratio}
