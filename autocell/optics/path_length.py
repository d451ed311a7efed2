"""Length of the light's path with its uncertainty: JCGM 100:2008 (GUM), from the exact trace."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from autocell.optics.cell import Cell, InputBeam
from autocell.optics.sensitivity import PARAMETERS, jacobian
from autocell.optics.trace import trace


@dataclass(frozen=True)
class PathLengthRow:
    """One input quantity. ``standard_uncertainty`` in m, rad or slope; ``sensitivity`` in metres
    of path for each of these; ``contribution_m`` is the size of their product."""

    quantity: str
    standard_uncertainty: float
    sensitivity: float
    contribution_m: float


@dataclass(frozen=True)
class PathLengthBudget:
    """A path length, its combined standard uncertainty and the rows that make it up."""

    passes: int
    path_length_m: float
    standard_uncertainty_m: float
    rows: tuple[PathLengthRow, ...]

    def expanded_uncertainty_m(self, coverage_factor: float = 2.0) -> float:
        """U = k u; k = 2 covers about 95 % of a normal distribution (JCGM 100:2008, 6.2)."""
        return coverage_factor * self.standard_uncertainty_m


def path_length_budget(
    cell: Cell,
    beam: InputBeam,
    passes: int,
    standard_uncertainties: Mapping[str, float],
    correlation: ArrayLike | None = None,
) -> PathLengthBudget:
    """Path length after N passes, up to the surface of the mirror it then meets.

    u² = Σᵢⱼ cᵢ cⱼ u(pᵢ) u(pⱼ) r(pᵢ, pⱼ), c = ∂L/∂p: equations 13 to 15 of JCGM 100:2008, which for
    independent quantities is the sum of squares, equations 10 and 11b. There is one spacing, and
    each pass crosses it: its error counts N times, not √N, as ∂L/∂d ≈ N says by itself. N has no
    row: the pass count is a hypothesis, and with another one the path is not a little longer but
    another path.

    Args:
        standard_uncertainties: by name from :data:`~autocell.optics.sensitivity.PARAMETERS`.
        correlation: r, (K, K) in the order of the K uncertainties; independent by default.

    Raises:
        ValueError: a name that is no parameter, an uncertainty that is negative or not finite,
            correlations that are not (K, K), or that no quantities can have.
    """
    for name, uncertainty in standard_uncertainties.items():
        if name not in PARAMETERS:
            raise ValueError(f"{name!r} is no parameter; there are {', '.join(PARAMETERS)}")
        if not (math.isfinite(uncertainty) and uncertainty >= 0.0):
            raise ValueError(f"{name}: {uncertainty} is no standard uncertainty")
    sensitivity = dict(zip(PARAMETERS, jacobian(cell, beam, passes).path_length_m, strict=True))
    rows = tuple(
        PathLengthRow(name, u, float(sensitivity[name]), abs(float(sensitivity[name])) * u)
        for name, u in standard_uncertainties.items()
    )
    by = np.array([row.sensitivity * row.standard_uncertainty for row in rows])
    r = np.eye(len(rows)) if correlation is None else np.asarray(correlation, dtype=float)
    if r.shape != (len(rows), len(rows)) or not np.allclose(np.diag(r), 1.0):
        raise ValueError(f"{len(rows)} uncertainties need correlations {len(rows)} × {len(rows)}")
    symmetric = np.allclose(r, r.T, rtol=0.0, atol=1e-12)
    # rounding may leave a full correlation an eigenvalue just below zero
    if not (symmetric and np.linalg.eigvalsh(r).min(initial=0.0) > -1e-12):
        raise ValueError("no quantities can be correlated like this")
    variance = max(float(by @ r @ by), 0.0)
    return PathLengthBudget(
        passes=passes,
        path_length_m=float(trace(cell, beam, passes).path_length_m[passes]),
        standard_uncertainty_m=math.sqrt(variance),
        rows=rows,
    )
