"""Ask a batch of cells what a beam does in them.

:func:`trace` keeps every spot; :func:`exit_power` keeps only what a power meter and a pass
counter would, and is what the belief asks thousands of times.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from autocell.optics.cell import Cell, FloatArray, InputBeam, MirrorName
from autocell.optics.rows import COLUMNS, SPOT_COLUMNS, TALLY_COLUMNS

IntArray = NDArray[np.int64]

_POSITIVE = [
    place
    for place, (part, name) in enumerate(COLUMNS)
    if (part, name) == ("cell", "spacing_m")
    or (part.endswith("_mirror") and name in ("radius_x_m", "radius_y_m"))
]
"""Where COLUMNS has what must be positive and finite."""

_BLOCK = 4096
"""Rows packed at a time: bounds memory, and a block stays in the second-level cache."""


@dataclass(frozen=True)
class Exit:
    """What reaches the detector. Arrays of the batch shape.

    Powers are fractions of the power arriving at the entrance hole. ``power`` is all of it,
    ``path_power`` without the stray light. ``passes`` is the number of passes made by the light
    that carries most of ``path_power``, ``passes_power`` that light alone, ``path_length_m`` its
    length from the entrance to the exit mirror surface. ``mean_passes`` is weighted by power, and
    differs from ``passes`` when light leaks early; stray light counts in neither.
    """

    power: FloatArray
    path_power: FloatArray
    passes: IntArray
    passes_power: FloatArray
    path_length_m: FloatArray
    mean_passes: FloatArray


@dataclass(frozen=True)
class Path:
    """Every arrival at a mirror, pass by pass; B cells, N passes, H holes.

    Index 0 along the passes is the entrance. ``position_m`` and ``direction`` (after the
    reflection) are (B, N+1, 3); ``incidence_rad`` and ``chord_m`` (B, N+1). ``footprint_per_m2``
    (B, N+1, 3) holds Sxx, Sxy, Syy of the intensity exp(−2 ρᵀSρ) in the mirror's x, y, and
    ``wavefront_per_m`` (B, N+1, 3) Cxx, Cxy, Cyy of the phase −(π/λ) ρᵀCρ there, after the
    reflection: together C − i (λM²/π) S, which is 1/q where a round beam meets a mirror head-on.
    ``arriving`` and ``beyond_edge`` (B, N+1) and ``leaks`` (B, N+1, H) are fractions of the power
    that arrives at the entrance hole. Rows after a beam missed the mirror altogether are NaN.
    """

    position_m: FloatArray
    direction: FloatArray
    incidence_rad: FloatArray
    chord_m: FloatArray
    footprint_per_m2: FloatArray
    wavefront_per_m: FloatArray
    arriving: FloatArray
    beyond_edge: FloatArray
    leaks: FloatArray
    exit: Exit

    @property
    def path_length_m(self) -> FloatArray:
        """Length travelled up to each arrival, (B, N+1)."""
        return np.cumsum(self.chord_m, axis=-1)

    @property
    def beam_radii_m(self) -> tuple[FloatArray, FloatArray]:
        """Large and small 1/e² radius of the footprint on the mirror, each (B, N+1).

        The large one is infinite where it is more than ten million times the small one.
        """
        sxx, sxy, syy = np.moveaxis(self.footprint_per_m2, -1, 0)
        mean = 0.5 * (sxx + syy)
        split = np.hypot(0.5 * (sxx - syy), sxy)
        with np.errstate(divide="ignore"):  # rounding may leave nothing of the difference, or less
            return 1.0 / np.sqrt(np.maximum(mean - split, 0.0)), 1.0 / np.sqrt(mean + split)

    @property
    def ellipse_angle_rad(self) -> FloatArray:
        """Direction of the large axis of the footprint from the x axis, (B, N+1)."""
        sxx, sxy, syy = np.moveaxis(self.footprint_per_m2, -1, 0)
        return np.asarray(0.5 * np.arctan2(-2.0 * sxy, syy - sxx))


@dataclass(frozen=True)
class _Columns:
    """The numbers of a batch by quantity, as COLUMNS says, not yet broadcast to ``shape``."""

    values: list[FloatArray]
    stray: FloatArray
    shape: tuple[int, ...]

    @classmethod
    def of(cls, cell: Cell, beam: InputBeam) -> _Columns:
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
            values += [
                np.asarray(value, dtype=float) for value in (hole.x_m, hole.y_m, hole.radius_m)
            ]
        stray = np.asarray(cell.detector.stray_fraction, dtype=float)
        shape = np.broadcast_shapes(stray.shape, *(value.shape for value in values))
        return cls(values, stray, shape)

    def blocks(self) -> list[tuple[slice, slice]]:
        """Pieces of the first axis of the batch, each with the flat batch that it becomes."""
        first, *rest = self.shape or (1,)
        each = math.prod(rest)
        step = max(1, _BLOCK // max(each, 1))
        starts = range(0, first, step)
        return [
            (slice(a, min(a + step, first)), slice(a * each, min(a + step, first) * each))
            for a in starts
        ]

    def packed(self, piece: slice) -> FloatArray:
        """Parameters (quantities, b) of one piece of the first axis, batch flattened."""
        first, *rest = self.shape or (1,)
        packed = np.empty((len(self.values), len(range(first)[piece]), *rest))
        for values, into in zip(self.values, packed, strict=True):
            along_first = values.ndim == len(self.shape) and values.ndim > 0 and values.shape[0] > 1
            into[...] = values[piece] if along_first else values
        return packed.reshape(len(self.values), -1)

    def darken(self, tallies: FloatArray) -> None:
        """Take the light out of cells that cannot be: rays may have met the back of a mirror."""
        for column in _POSITIVE:
            impossible = ~((self.values[column] > 0.0) & (self.values[column] < np.inf))
            if impossible.any():
                tallies.reshape(*self.shape, -1)[np.broadcast_to(impossible, self.shape)] = 0.0


def exit_power(
    cell: Cell, beam: InputBeam, max_passes: int, *, floor: float = 1e-10, threads: int = 1
) -> Exit:
    """What reaches the detector of each cell of the batch.

    Light is followed for at most ``max_passes`` passes, or until less than ``floor`` of what
    arrives at the entrance hole is left: the power is right to that. Cells are packed and followed
    in blocks along the first axis of the batch, on as many ``threads`` as asked for.

    A cell that cannot be, its spacing or a radius of curvature not positive and finite, stays dark
    among the others of its batch.

    Raises:
        ValueError: arrays that do not broadcast, no entrance hole on the entrance mirror, a mirror
            named neither entrance nor far, fewer than no passes, or fewer threads than one.
    """
    from autocell.optics.kernel import NO_LEAKS, NO_SPOTS, follow

    _refuse_negative(max_passes)
    if threads < 1:
        raise ValueError(f"light is followed on 1 thread or more, not on {threads}")
    columns = _Columns.of(cell, beam)
    sides = _sides(cell)
    tallies = np.empty((math.prod(columns.shape), len(TALLY_COLUMNS)))

    def follow_piece(piece: slice, flat: slice) -> None:
        follow(columns.packed(piece), *sides, max_passes, floor, tallies[flat], NO_SPOTS, NO_LEAKS)

    pieces = columns.blocks()
    if threads == 1 or len(pieces) == 1:
        for piece, flat in pieces:
            follow_piece(piece, flat)
    else:
        with ThreadPoolExecutor(threads) as pool:
            for done in [pool.submit(follow_piece, *piece) for piece in pieces]:
                done.result()
    columns.darken(tallies)
    return _exit(tallies, columns)


def trace(cell: Cell, beam: InputBeam, passes: int) -> Path:
    """Follow the beam through each cell of the batch for exactly ``passes`` passes.

    Light that has left through a hole is counted once and the chief ray is followed on, so that
    the spots after a leak, and those of a beam wholly lost, are still where they would be.

    Raises:
        ValueError: arrays that do not broadcast, no entrance hole on the entrance mirror, a mirror
            named neither entrance nor far, fewer than no passes, mirrors that are not apart, or one
            that is not concave.
    """
    from autocell.optics.kernel import follow

    _refuse_negative(passes)
    _refuse_what_is_no_cell(cell)
    columns = _Columns.of(cell, beam)
    shape, count = columns.shape, math.prod(columns.shape)
    spots = np.full((count, passes + 1, len(SPOT_COLUMNS)), np.nan)
    leaks = np.zeros((count, passes + 1, len(cell.holes)))
    tallies = np.empty((count, len(TALLY_COLUMNS)))
    follow(columns.packed(slice(None)), *_sides(cell), passes, 0.0, tallies, spots, leaks)
    spots = spots.reshape(*shape, passes + 1, len(SPOT_COLUMNS))
    return Path(
        position_m=spots[..., 0:3],
        direction=spots[..., 3:6],
        incidence_rad=spots[..., 6],
        chord_m=spots[..., 15],
        footprint_per_m2=spots[..., 7:10],
        wavefront_per_m=spots[..., 10:13],
        arriving=spots[..., 13],
        beyond_edge=spots[..., 14],
        leaks=leaks.reshape(*shape, passes + 1, len(cell.holes)),
        exit=_exit(tallies, columns),
    )


def batch_shape(cell: Cell, beam: InputBeam) -> tuple[int, ...]:
    """The shape that the numbers of a cell and its beam broadcast to: () for a single one.

    Raises:
        ValueError: as :func:`exit_power`.
    """
    return _Columns.of(cell, beam).shape


def _refuse_negative(passes: int) -> None:
    """The compiled kernel would write in front of its arrays."""
    if passes < 0:
        raise ValueError(f"light makes 0 passes or more, not {passes}")


def _refuse_what_is_no_cell(cell: Cell) -> None:
    """Rays would meet the back of a mirror and go on from there."""
    spacing_m = np.asarray(cell.spacing_m, dtype=float)
    if np.any(spacing_m <= 0.0):
        raise ValueError(f"the mirrors must be apart, not {spacing_m.min()} m")
    for name, mirror in (("entrance", cell.entrance_mirror), ("far", cell.far_mirror)):
        for radius in (mirror.radius_x_m, mirror.radius_y_m):
            radius_m = np.atleast_1d(np.asarray(radius, dtype=float))
            wrong = radius_m[(radius_m <= 0.0) | np.isinf(radius_m)]
            if wrong.size:
                raise ValueError(
                    f"the {name} mirror must be concave, its radius of curvature positive and "
                    f"finite, not {wrong[0]} m; for a flat one give 1e6 m"
                )


def _refuse_unknown_mirrors(cell: Cell) -> None:
    for name in (cell.exit_mirror, *(hole.mirror for hole in cell.holes)):
        if name not in get_args(MirrorName):
            raise ValueError(f"{name!r} is no mirror; there are {', '.join(get_args(MirrorName))}")


def _sides(cell: Cell) -> tuple[NDArray[np.bool_], bool]:
    """Which holes are in the far mirror, and whether the exit is."""
    return np.array([hole.mirror == "far" for hole in cell.holes]), cell.exit_mirror == "far"


def _exit(tallies: FloatArray, batch: _Columns) -> Exit:
    columns = [column.reshape(batch.shape) for column in tallies.T]
    path_power, passes, passes_power, path_length, mean_passes = columns
    return Exit(
        np.asarray(path_power + batch.stray),
        path_power,
        passes.astype(np.int64),
        passes_power,
        path_length,
        mean_passes,
    )
