"""A batch of cells and beams as the kernel wants them: one column of numbers for each."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocell.optics.cell import Cell, FloatArray, InputBeam, MirrorName
from autocell.optics.rows import COLUMNS, HOLES

Quantity = tuple[str, str]
"""A part and one of its numbers, as COLUMNS names them; holes are ("hole 1", "radius_m")."""

_OF_HOLE = ("x_m", "y_m", "radius_m")

_BLOCK = 4096
"""Rows packed at a time: bounds memory, and a block stays in the second-level cache."""


@dataclass(frozen=True)
class Batch:
    """Cells and their input beams by quantity, not yet broadcast to their ``shape``.

    ``values`` are in the order of COLUMNS, then x, y and radius of each hole. ``hole_on_far`` says
    of each hole whether it is in the far mirror, ``exit_far`` whether light leaves there.
    """

    values: tuple[FloatArray, ...]
    stray: FloatArray
    hole_on_far: NDArray[np.bool_]
    exit_far: bool
    shape: tuple[int, ...]

    @classmethod
    def of(cls, cell: Cell, beam: InputBeam) -> Batch:
        """Raises ValueError: arrays that do not broadcast, no entrance hole on the entrance mirror,
        a mirror named neither entrance nor far."""
        if not cell.holes or cell.holes[0].mirror != "entrance":
            raise ValueError("the first hole is the entrance and must be on the entrance mirror")
        _refuse_unknown_mirrors(cell)
        parts = {
            "cell": cell,
            "entrance_mirror": cell.entrance_mirror,
            "far_mirror": cell.far_mirror,
            "beam": beam,
            "detector": cell.detector,
        }
        values = [np.asarray(getattr(parts[part], name), dtype=float) for part, name in COLUMNS]
        for hole in cell.holes:
            values += [np.asarray(getattr(hole, name), dtype=float) for name in _OF_HOLE]
        stray = np.asarray(cell.detector.stray_fraction, dtype=float)
        return cls(
            tuple(values),
            stray,
            np.array([hole.mirror == "far" for hole in cell.holes]),
            cell.exit_mirror == "far",
            _shape_of(stray, *values),
        )

    def having(self, quantities: Mapping[Quantity, ArrayLike]) -> Batch:
        """The same cells and beams but for these quantities.

        Raises KeyError for what is no quantity, ValueError for arrays that do not broadcast.
        """
        values = list(self.values)
        for quantity, value in quantities.items():
            values[_place_of(quantity)] = np.asarray(value, dtype=float)
        return replace(self, values=tuple(values), shape=_shape_of(self.stray, *values))

    def adding(self, quantities: Mapping[Quantity, ArrayLike]) -> Batch:
        """The same cells and beams with something added to these quantities.

        Raises as :meth:`having` does.
        """
        return self.having(
            {
                quantity: self.values[_place_of(quantity)] + np.asarray(value, dtype=float)
                for quantity, value in quantities.items()
            }
        )

    def picked(self, cells: NDArray[np.int64]) -> Batch:
        """Cells of a flat batch by their number, each with its beam: a batch as ``cells`` is."""
        values = tuple(self._picked(value, cells) for value in self.values)
        stray = self._picked(self.stray, cells)
        return replace(self, values=values, stray=stray, shape=_shape_of(stray, *values))

    def _picked(self, value: FloatArray, cells: NDArray[np.int64]) -> FloatArray:
        return np.broadcast_to(value, self.shape)[cells] if value.ndim else value

    def blocks(self, least: int = 1) -> list[tuple[slice, slice]]:
        """Pieces of the first axis of the batch, if possible at ``least`` so many, each with the
        flat batch that it becomes."""
        first, *rest = self.shape or (1,)
        each = math.prod(rest)
        step = max(1, min(_BLOCK // max(each, 1), -(-first // least)))
        starts = range(0, first, step)
        return [
            (slice(a, min(a + step, first)), slice(a * each, min(a + step, first) * each))
            for a in starts
        ]

    def packed(self, piece: slice = slice(None)) -> FloatArray:
        """Parameters (quantities, b) of one piece of the first axis, batch flattened."""
        first, *rest = self.shape or (1,)
        packed = np.empty((len(self.values), len(range(first)[piece]), *rest))
        for values, into in zip(self.values, packed, strict=True):
            along_first = values.ndim == len(self.shape) and values.ndim > 0 and values.shape[0] > 1
            into[...] = values[piece] if along_first else values
        return packed.reshape(len(self.values), -1)


def changed_in(
    cell: Cell, beam: InputBeam, quantities: Mapping[Quantity, ArrayLike]
) -> tuple[Cell, InputBeam]:
    """Cell and beam with other values of these quantities.

    Raises KeyError for a part that is none, TypeError for a quantity that the part does not have.
    """
    by_part: dict[str, dict[str, Any]] = defaultdict(dict)
    for (part, name), value in quantities.items():
        by_part[part][name] = value
    holes = tuple(
        replace(hole, **by_part.pop(f"hole {number}", {}))
        for number, hole in enumerate(cell.holes, start=1)
    )
    new_beam = replace(beam, **by_part.pop("beam", {}))
    new_cell = replace(cell, holes=holes, **by_part.pop("cell", {}))
    for part, values in by_part.items():
        new_cell = replace(new_cell, **{part: replace(getattr(cell, part), **values)})
    return new_cell, new_beam


_PLACES: dict[Quantity, int] = {quantity: place for place, quantity in enumerate(COLUMNS)}


def _place_of(quantity: Quantity) -> int:
    part, name = quantity
    if part.startswith("hole "):
        return HOLES + len(_OF_HOLE) * (int(part[5:]) - 1) + _OF_HOLE.index(name)
    return _PLACES[quantity]


def _shape_of(*arrays: FloatArray) -> tuple[int, ...]:
    return np.broadcast_shapes(*{array.shape for array in arrays})


def _refuse_unknown_mirrors(cell: Cell) -> None:
    for name in (cell.exit_mirror, *(hole.mirror for hole in cell.holes)):
        if name not in get_args(MirrorName):
            raise ValueError(f"{name!r} is no mirror; there are {', '.join(get_args(MirrorName))}")
