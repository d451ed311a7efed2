"""How the exit spot, the exit direction, the path and the plateau answer to small errors.

Every derivative is a central difference of the exact trace, all of them in one batch. Changes of
a cell and its beam are rows of numbers in the order of :data:`PARAMETERS`: added to what is there,
in metres, radians and slopes. A *direction* is such a row too: what one unit of travel of an axis
does, or a single parameter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocell.optics.batch import Batch, Quantity, changed_in
from autocell.optics.cell import Cell, FloatArray, InputBeam
from autocell.optics.trace import exit_of, trace

_QUANTITIES: dict[str, tuple[Quantity, ...]] = {
    "spacing_m": (("cell", "spacing_m"),),
    "x_m": (("beam", "x_m"),),
    "y_m": (("beam", "y_m"),),
    "slope_x": (("beam", "slope_x"),),
    "slope_y": (("beam", "slope_y"),),
    "entrance_tilt_x_rad": (("entrance_mirror", "tilt_x_rad"),),
    "entrance_tilt_y_rad": (("entrance_mirror", "tilt_y_rad"),),
    "far_tilt_x_rad": (("far_mirror", "tilt_x_rad"),),
    "far_tilt_y_rad": (("far_mirror", "tilt_y_rad"),),
    "entrance_radius_m": (("entrance_mirror", "radius_x_m"), ("entrance_mirror", "radius_y_m")),
    "far_radius_m": (("far_mirror", "radius_x_m"), ("far_mirror", "radius_y_m")),
}
"""What of a cell and its beam each parameter is."""

PARAMETERS = tuple(_QUANTITIES)
"""The first five are the setting: spacing and input beam. A radius changes in x and y alike."""

_P = len(PARAMETERS)
_STEP = 1e-5
"""Step of the differences, m or rad; the fourth-order formula is then right to about 1e-9."""

_MORE_PASSES = 40
"""Light that has not left by the wanted pass is followed this much further."""

_FLOOR = 1e-4
_OUTWARD = np.arange(0.0, 8.0 + 1e-9, 1.0 / 16.0)
"""Where an edge is looked for, in the change that moves some spot by the hole's radius."""

_AT_ONCE = 22
"""So many of these points are looked at before asking whether the edge has been passed."""

_ROUNDS, _PARTS = 3, 6
"""Each round looks at so many points between the two that enclose an edge."""


def changed(cell: Cell, beam: InputBeam, changes: ArrayLike) -> tuple[Cell, InputBeam]:
    """The cell and its beam with changes (..., P) added: a batch of shape (...)."""
    parts = {
        "cell": cell,
        "entrance_mirror": cell.entrance_mirror,
        "far_mirror": cell.far_mirror,
        "beam": beam,
    }
    moved = {
        (part, name): getattr(parts[part], name) + change
        for (part, name), change in _by_quantity(changes).items()
    }
    return changed_in(cell, beam, moved)


def _by_quantity(changes: ArrayLike) -> dict[Quantity, FloatArray]:
    by_parameter = np.moveaxis(np.asarray(changes, dtype=float), -1, 0)
    return {
        quantity: change
        for parameter, change in zip(PARAMETERS, by_parameter, strict=True)
        for quantity in _QUANTITIES[parameter]
    }


@dataclass(frozen=True)
class Jacobian:
    """First derivatives with respect to each of :data:`PARAMETERS`.

    ``exit_spot`` (P, 2) in metres and ``exit_slope`` (P, 2) of the light that leaves after the
    last pass; ``path_length_m`` (P,) up to the surface of the mirror it leaves through;
    ``spots`` (P, N+1, 2) of every spot on the way. All per metre, radian or unit of slope.
    """

    exit_spot: FloatArray
    exit_slope: FloatArray
    path_length_m: FloatArray
    spots: FloatArray

    def of(self, parameter: str) -> tuple[FloatArray, FloatArray, float]:
        """Exit spot (2,), exit slope (2,) and path length per unit of one parameter."""
        row = PARAMETERS.index(parameter)
        return self.exit_spot[row], self.exit_slope[row], float(self.path_length_m[row])


def jacobian(cell: Cell, beam: InputBeam, passes: int) -> Jacobian:
    """How the spots, the exit and the path of one cell answer to each parameter.

    f′ = (f(−2h) − 8 f(−h) + 8 f(h) − f(2h)) / 12h of the exact trace.

    Raises:
        ValueError: a cell or beam that is itself a batch, or no pass.
    """
    _refuse_batch(cell, beam)
    if passes < 1:
        raise ValueError(f"light leaves after 1 pass or more, not after {passes}")
    steps = np.array([-2.0, -1.0, 1.0, 2.0])
    weights = np.array([1.0, -8.0, 8.0, -1.0]) / (12.0 * _STEP)
    changes = _STEP * steps[None, :, None] * np.eye(_P)[:, None, :]
    path = trace(*changed(cell, beam, changes), passes)
    spots = np.einsum("s,psnk->pnk", weights, path.position_m[..., :2])
    # the light leaves with the direction of its last pass: that after the mirror before
    onward = path.direction[:, :, passes - 1, :]
    slopes = onward[..., :2] / onward[..., 2:]
    return Jacobian(
        exit_spot=spots[:, passes],
        exit_slope=np.einsum("s,psk->pk", weights, slopes),
        path_length_m=np.einsum("s,ps->p", weights, path.path_length_m[..., passes]),
        spots=spots,
    )


@dataclass(frozen=True)
class Margins:
    """The change along each of D directions, down (negative) and up, at which the plateau ends.

    All are (D,), or (B, D) for a batch of B cells. ``low``, ``high`` are infinite where no end was
    found within eight hole radii of spot movement. ``low_passes``, ``high_passes`` are the passes
    of the light that is strongest just beyond: the wanted number where it has lost half of its
    power, or where several others together carry as much; zero in the dark.
    """

    low: FloatArray
    high: FloatArray
    low_passes: NDArray[np.int64]
    high_passes: NDArray[np.int64]

    @property
    def smaller(self) -> FloatArray:
        """The nearer end; zero where the pattern does not show at all."""
        return np.minimum(-self.low, self.high)


def plateau_margins(
    cell: Cell,
    beam: InputBeam,
    passes: int,
    directions: ArrayLike | None = None,
    around: ArrayLike | None = None,
    scale: FloatArray | None = None,
) -> Margins:
    """How far a cell may change along each direction before it is no more a pattern of N passes.

    The plateau ends where the light of N passes is no more half of all that leaves, or has fallen
    to half of its largest power along that direction: so it counts a spot that leaves the hole,
    one that leaves too early and one that meets a mirror's edge alike.

    Args:
        cell, beam: one cell, or a batch of B of them that are much alike.
        directions: (D, P), by default each parameter by itself.
        around: (D, P), changes to start from; none by default.
        scale: (D,), as :func:`reach_of_hole` has it; worked out by default, for one cell.

    Raises:
        ValueError: a batch of more than one dimension, or one without a scale; or no pass.
    """
    along = np.eye(_P) if directions is None else np.asarray(directions, dtype=float)
    start = np.zeros_like(along) if around is None else np.asarray(around, dtype=float)
    if scale is None:
        scale = reach_of_hole(cell, beam, passes, along)
    look = _Look.of(Batch.of(cell, beam), passes, start, along * scale[:, None])
    (end, beyond), shape = _ends(look), (*look.cells.shape, 2, len(along))
    low, high = np.moveaxis(end.reshape(shape) * scale, -2, 0)
    low_passes, high_passes = np.moveaxis(beyond.reshape(shape), -2, 0)
    return Margins(-low, high, low_passes, high_passes)


def reach_of_hole(cell: Cell, beam: InputBeam, passes: int, directions: FloatArray) -> FloatArray:
    """The change (D,) along each direction (D, P) that moves the most mobile spot of one cell by
    the hole's radius.

    Raises:
        ValueError: a cell or beam that is itself a batch, or no pass.
    """
    spots = np.einsum("dp,pnk->dnk", directions, jacobian(cell, beam, passes).spots)
    fastest = np.linalg.norm(spots, axis=-1).max(axis=-1)
    hole_radius = np.asarray(cell.holes[0].radius_m, dtype=float)
    return np.asarray(hole_radius / np.maximum(fastest, 1e-12))


@dataclass(frozen=True)
class _Look:
    """Asks what cells show when changed along rows (R, P) from starts (R, P).

    Each cell has 2D rows, down along every direction and then up, both counted outward; ``whose``
    (R,) is the cell of a row.
    """

    cells: Batch
    passes: int
    start: FloatArray
    along: FloatArray
    whose: NDArray[np.int64]

    @classmethod
    def of(cls, cells: Batch, passes: int, start: FloatArray, along: FloatArray) -> _Look:
        if len(cells.shape) > 1:
            raise ValueError(f"margins are those of a row of cells, not of {cells.shape}")
        (count,) = cells.shape or (1,)
        start, along = np.concatenate([start, start]), np.concatenate([-along, along])
        whose = np.repeat(np.arange(count), len(along))
        return cls(cells, passes, np.tile(start, (count, 1)), np.tile(along, (count, 1)), whose)

    def at(
        self, change: FloatArray, rows: NDArray[np.bool_] | slice = slice(None)
    ) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
        """For changes (rows, K): the share of the strongest pass count in what leaves, the light
        of the wanted one where it is the strongest, and which is."""
        changes = self.start[rows, None, :] + change[..., None] * self.along[rows, None, :]
        changed_cells = self.cells.picked(self.whose[rows, None]).adding(_by_quantity(changes))
        most = self.passes + _MORE_PASSES
        seen = exit_of(changed_cells, most, floor=_FLOOR, threads=None)
        with np.errstate(invalid="ignore", divide="ignore"):
            purity = np.where(seen.path_power > 0.0, seen.passes_power / seen.path_power, 0.0)
        light = np.where(seen.passes == self.passes, seen.passes_power, 0.0)
        return purity, light, seen.passes

    def of_both_ways(self, light: FloatArray) -> FloatArray:
        """The largest light (R, ·) along the direction of each row, down and up: (R, 1)."""
        pairs = light.max(axis=-1).reshape(self.whose[-1] + 1, 2, -1)
        return np.broadcast_to(pairs.max(axis=1, keepdims=True), pairs.shape).reshape(-1, 1)


def _height(purity: FloatArray, light: FloatArray, peak: FloatArray) -> FloatArray:
    """Positive on the plateau; passes zero where others overtake or half the light is lost."""
    ours = np.minimum(2.0 * purity - 1.0, 2.0 * light / peak - 1.0)
    return np.where(light > 0.0, ours, np.minimum(1.0 - 2.0 * purity, -1e-12))


def _ends(look: _Look) -> tuple[FloatArray, NDArray[np.int64]]:
    """Where the plateau ends along each row (R,), in units of the row, and who takes over.

    Zero for rows that do not start on it, infinite where it goes on.
    """
    count = len(look.along)
    purity, light, height = np.zeros((3, count, len(_OUTWARD)))
    unended: NDArray[np.bool_] = np.ones(count, dtype=bool)
    for begin in range(0, len(_OUTWARD), _AT_ONCE):
        seen = slice(begin, begin + _AT_ONCE)
        points = np.broadcast_to(_OUTWARD[seen], (unended.sum(), len(_OUTWARD[seen])))
        purity[unended, seen], light[unended, seen], _ = look.at(points, unended)
        peak = np.maximum(look.of_both_ways(light), 1e-300)
        height = _height(purity, light, peak)
        unended = np.asarray((height[:, : begin + _AT_ONCE] > 0.0).all(axis=-1))
        if not unended.any():
            break
    first = np.maximum((height <= 0.0).argmax(axis=-1), 1)
    inside, outside = _OUTWARD[first - 1], _OUTWARD[first]
    for _ in range(_ROUNDS):
        between = np.linspace(inside, outside, _PARTS, axis=-1)
        shares, lights, strongest = look.at(between)
        heights = _height(shares, lights, peak)
        cut = np.maximum((heights <= 0.0).argmax(axis=-1), 1)[:, None]
        inside, outside = (np.take_along_axis(between, cut - k, -1)[:, 0] for k in (1, 0))
        above, below = (np.take_along_axis(heights, cut - k, -1)[:, 0] for k in (1, 0))
        beyond = np.take_along_axis(strongest, cut, -1)[:, 0]
    share = np.clip(above / np.maximum(above - below, 1e-300), 0.0, 1.0)
    end = np.where(height[:, 0] <= 0.0, 0.0, inside + share * (outside - inside))
    return np.where(unended, np.inf, end), beyond


@dataclass(frozen=True)
class SpacingMargins:
    """The distances from a spacing to both ends of its plateau, m, and their derivatives (P,)."""

    low_m: float
    high_m: float
    low_per_unit: FloatArray
    high_per_unit: FloatArray


def spacing_margins(cell: Cell, beam: InputBeam, passes: int) -> SpacingMargins:
    """Margin to both ends of the plateau along the spacing, and what each parameter does to it.

    Central differences of :func:`plateau_margins`, with steps of a hundredth of the change that
    moves a spot by the hole's radius.
    """
    steps = 0.01 * reach_of_hole(cell, beam, passes, np.eye(_P))
    around = np.concatenate([np.zeros((1, _P)), -np.diag(steps), np.diag(steps)])
    directions = np.tile(np.eye(_P)[0], (len(around), 1))
    scale = np.full(len(around), 100.0 * steps[0])
    found = plateau_margins(cell, beam, passes, directions, around, scale)
    low, high = -found.low, found.high
    return SpacingMargins(
        low_m=float(low[0]),
        high_m=float(high[0]),
        low_per_unit=(low[1 + _P :] - low[1 : 1 + _P]) / (2.0 * steps),
        high_per_unit=(high[1 + _P :] - high[1 : 1 + _P]) / (2.0 * steps),
    )


def _refuse_batch(cell: Cell, beam: InputBeam) -> None:
    """Changes would be broadcast against the batch instead of being made to each of it."""
    if Batch.of(cell, beam).shape:
        raise ValueError("what small changes do is asked of one cell, and this is a batch")
