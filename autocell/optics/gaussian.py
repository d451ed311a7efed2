"""The round and the elliptical Gaussian beam: the mode that fits the cell, and holes and edges.

Radii w are 1/e² intensity radii throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from autocell.optics.cell import FloatArray


@dataclass(frozen=True)
class Mode:
    """The beam that repeats itself from pass to pass. Metres; arrays of the batch shape.

    The waist lies ``waist_distance_m`` from the entrance mirror towards the far one, outside the
    cell when negative or beyond the spacing.
    """

    waist_m: FloatArray
    waist_distance_m: FloatArray
    rayleigh_m: FloatArray
    entrance_radius_m: FloatArray
    far_radius_m: FloatArray


def matched_mode(
    spacing_m: ArrayLike,
    entrance_radius_of_curvature_m: ArrayLike,
    far_radius_of_curvature_m: ArrayLike,
    wavelength_m: ArrayLike,
    beam_quality: ArrayLike = 1.0,
) -> Mode:
    """The mode of a two-mirror cell on its axis.

    With R1, R2 the radii of curvature and d the spacing,

        z_R² = d (R1−d)(R2−d)(R1+R2−d) / (R1+R2−2d)²,   z1 = d (R2−d) / (R1+R2−2d),
        w1⁴ = (λ R1/π)² (R2−d)/(R1−d) · d/(R1+R2−d),     w2 with 1 and 2 exchanged,

    which for equal mirrors are z_R = ½√(d(2R−d)), w0² = (λ/2π)√(d(2R−d)) and
    w² = (λR/π)√(d/(2R−d)). Source: Kogelnik & Li, Appl. Opt. 5, 1550 (1966), from memory.
    M² widens the beam by its root (ISO 11146).

    Args:
        spacing_m, entrance_radius_of_curvature_m, far_radius_of_curvature_m, wavelength_m,
            beam_quality: numbers or arrays that broadcast.

    Returns:
        The mode; NaN where the cell is unstable.
    """
    d, r1, r2, wavelength = np.broadcast_arrays(
        np.asarray(spacing_m, dtype=float),
        np.asarray(entrance_radius_of_curvature_m, dtype=float),
        np.asarray(far_radius_of_curvature_m, dtype=float),
        np.asarray(wavelength_m, dtype=float) * np.asarray(beam_quality, dtype=float),
    )
    stable = (d > 0.0) & ((1.0 - d / r1) * (1.0 - d / r2) < 1.0)
    equal = r1 == r2
    with np.errstate(invalid="ignore", divide="ignore"):
        # equal mirrors are a limit of 0/0 where d = R, and nowhere else a case of their own
        imbalance = np.where(equal, 1.0, (r2 - d) / (r1 - d))
        across = np.where(equal, 2.0, r1 + r2 - 2.0 * d)
        inner = np.where(equal, 1.0, (r1 - d) * (r2 - d))
        rayleigh = np.where(stable, np.sqrt(d * inner * (r1 + r2 - d)) / np.abs(across), np.nan)
        distance = np.where(equal, 0.5 * d, d * (r2 - d) / across)
        confocal = np.sqrt(d / (r1 + r2 - d))
        w1 = np.sqrt(wavelength * r1 / np.pi * confocal * np.sqrt(imbalance))
        w2 = np.sqrt(wavelength * r2 / np.pi * confocal / np.sqrt(imbalance))
    nothing = np.isnan(rayleigh)
    return Mode(
        waist_m=np.sqrt(wavelength * rayleigh / np.pi),
        waist_distance_m=np.where(nothing, np.nan, distance),
        rayleigh_m=rayleigh,
        entrance_radius_m=np.where(nothing, np.nan, w1),
        far_radius_m=np.where(nothing, np.nan, w2),
    )


def hole_transmission(
    hole_radius_m: ArrayLike, offset_m: ArrayLike, beam_radius_m: ArrayLike
) -> FloatArray:
    """Fraction of a round Gaussian beam that passes a round hole.

    T = 1 − Q₁(2s/w, 2a/w), Marcum's Q: the distribution function of a non-central χ² with two
    degrees of freedom and non-centrality 4s²/w², at 4a²/w². Right to 1e-14 of the whole beam;
    where next to everything passes, :func:`edge_loss` keeps the digits of the rest. A radius below
    zero is a closed hole.

    Args:
        hole_radius_m: a. offset_m: s, from the centre of the beam to that of the hole.
        beam_radius_m: w. All broadcast.
    """
    from scipy.special import chndtr

    a, s, w = (np.asarray(v, dtype=float) for v in (hole_radius_m, offset_m, beam_radius_m))
    return np.asarray(chndtr((2.0 * np.maximum(a, 0.0) / w) ** 2, 2.0, (2.0 * s / w) ** 2))


def edge_loss(
    aperture_radius_m: ArrayLike, offset_m: ArrayLike, beam_radius_m: ArrayLike
) -> FloatArray:
    """Fraction of a round Gaussian beam beyond a round edge: 1 − T of :func:`hole_transmission`.

    Taken from the survival function of the same non-central χ², so that a loss of 1e-30 has
    as many right digits as one of a tenth.
    """
    from scipy.stats import ncx2

    a, s, w = (np.asarray(v, dtype=float) for v in (aperture_radius_m, offset_m, beam_radius_m))
    return np.asarray(ncx2.sf((2.0 * np.maximum(a, 0.0) / w) ** 2, 2.0, (2.0 * s / w) ** 2))


def elliptical_hole_transmission(
    hole_radius_m: ArrayLike,
    offset_x_m: ArrayLike,
    offset_y_m: ArrayLike,
    beam_radius_x_m: ArrayLike,
    beam_radius_y_m: ArrayLike,
    ellipse_angle_rad: ArrayLike = 0.0,
) -> FloatArray:
    """Fraction of an elliptical Gaussian beam that passes a round hole.

    The integral around the edge that :func:`autocell.optics.edge.through_circle` takes, which is
    also what every trace uses.

    Args:
        hole_radius_m: a. offset_x_m, offset_y_m: from the centre of the beam to that of the hole.
        beam_radius_x_m, beam_radius_y_m: along the beam's own axes, the first of which is turned
            by ``ellipse_angle_rad`` from x towards y. All broadcast.
    """
    from autocell.optics.edge import through_circles

    a, dx, dy, wx, wy, angle = np.broadcast_arrays(
        *(
            np.asarray(v, dtype=float)
            for v in (
                hole_radius_m,
                offset_x_m,
                offset_y_m,
                beam_radius_x_m,
                beam_radius_y_m,
                ellipse_angle_rad,
            )
        )
    )
    c, s = np.cos(angle), np.sin(angle)
    sxx, syy = (c / wx) ** 2 + (s / wy) ** 2, (s / wx) ** 2 + (c / wy) ** 2
    sxy = c * s * (wx**-2.0 - wy**-2.0)
    rows = np.stack([sxx, sxy, syy, dx, dy, a], axis=-1).reshape(-1, 6)
    fractions = np.empty(len(rows))
    through_circles(rows, fractions)
    return fractions.reshape(a.shape)
