"""What the readings told of the bench, beside the pass count, and what they cannot tell."""

from __future__ import annotations

import math

import numpy as np

from autocell.belief.model import BenchModel
from autocell.belief.unknowns import FloatArray
from autocell.outcome import Combination, Finding, Learned

_LENGTHS = ("spacing_offset_m", "entrance_radius_m", "far_radius_m")


def findings(model: BenchModel, z: FloatArray) -> tuple[Finding, ...]:
    """What the members (M, D) of a belief make of each unknown."""
    values = model.prior.values(z)
    return tuple(
        Finding(
            unknown.name,
            unknown.words,
            float(np.mean(values[:, place])),
            float(np.std(values[:, place])),
            unknown.centre,
            unknown.tolerance / math.sqrt(3.0),
        )
        for place, unknown in enumerate(model.prior.unknowns)
    )


def spacing_and_radii(model: BenchModel, z: FloatArray) -> Combination | None:
    """The sum of spacing offset and radii that the members (M, D) know best.

    The place of a plateau depends on spacing and radii together (F1: cos θ = 1 − d/R), so that
    the members agree about one sum of them and hardly about each. It is what regression of the
    offset on the radii leaves over. None when the bench file knows all but one of them.
    """
    places = [place for name in _LENGTHS if (place := model.index(name)) is not None]
    if len(places) < 2 or model.prior.names[places[0]] != "spacing_offset_m":
        return None
    changes = model.prior.values(z)[:, places] - model.prior.centre[places]
    offset, radii = changes[:, 0], changes[:, 1:]
    centred = radii - radii.mean(axis=0)
    slope, *_ = np.linalg.lstsq(centred, offset - offset.mean(), rcond=None)
    rest = offset - radii @ slope
    names = [model.prior.names[place] for place in places[1:]]
    weights = tuple((name, float(-s)) for name, s in zip(names, slope, strict=True))
    return Combination(float(rest.mean()), float(rest.std()), weights)


def learned(model: BenchModel, z: FloatArray) -> Learned:
    """What the members (M, D) leave for the next run."""
    values = model.prior.values(z)
    covariance = np.cov(values, rowvar=False).reshape(z.shape[1], z.shape[1])
    return Learned(
        model.prior.names,
        tuple(map(float, values.mean(axis=0))),
        tuple(tuple(map(float, row)) for row in covariance),
    )
