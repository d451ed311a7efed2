"""Ask a batch of cells what a beam does in them.

:func:`trace` keeps every spot; :func:`exit_power` keeps only what a power meter and a pass
counter would, and is what the belief asks thousands of times.
"""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from autocell.optics.batch import Batch
from autocell.optics.cell import Cell, FloatArray, InputBeam
from autocell.optics.rows import SPOT_COLUMNS, TALLY_COLUMNS

IntArray = NDArray[np.int64]

_WORTH_TELLING = 100
"""Beams that a thread is asked to follow at least: fewer are followed sooner than it is told."""


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


def exit_power(
    cell: Cell, beam: InputBeam, max_passes: int, *, floor: float = 1e-10, threads: int | None = 1
) -> Exit:
    """What reaches the detector of each cell of the batch.

    Light is followed for at most ``max_passes`` passes, or until less than ``floor`` of what
    arrives at the entrance hole is left: the power is right to that. Cells are packed and followed
    in blocks along the first axis of the batch, on as many ``threads`` as asked for, this one among
    them; None is as many as are usual on this machine. The numbers do not depend on how many.

    A cell that cannot be, its spacing or a radius of curvature not positive and finite, stays dark
    among the others of its batch.

    Raises:
        ValueError: arrays that do not broadcast, no entrance hole on the entrance mirror, a mirror
            named neither entrance nor far, fewer than no passes, or fewer threads than one.
    """
    return exit_of(Batch.of(cell, beam), max_passes, floor=floor, threads=threads)


def exit_of(
    batch: Batch, max_passes: int, *, floor: float = 1e-10, threads: int | None = 1
) -> Exit:
    """:func:`exit_power` of a batch that is laid out already."""
    from autocell.optics.compiled import usual_threads
    from autocell.optics.kernel import NO_LEAKS, NO_SPOTS, follow

    _refuse_negative(max_passes)
    threads = usual_threads() if threads is None else threads
    if threads < 1:
        raise ValueError(f"light is followed on 1 thread or more, not on {threads}")
    sides = batch.hole_on_far, batch.exit_far
    tallies = np.empty((math.prod(batch.shape), len(TALLY_COLUMNS)))

    def follow_piece(piece: slice, flat: slice) -> None:
        follow(batch.packed(piece), *sides, max_passes, floor, tallies[flat], NO_SPOTS, NO_LEAKS)

    shares = max(1, min(threads, len(tallies) // _WORTH_TELLING))
    pieces = batch.blocks(shares)
    told = [
        _helpers(shares - 1).submit(follow_piece, *piece)
        for number, piece in enumerate(pieces)
        if number % shares
    ]
    for piece in pieces[::shares]:
        follow_piece(*piece)
    for each in told:
        each.result()
    return _exit(tallies, batch)


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
    batch = Batch.of(cell, beam)
    shape, count = batch.shape, math.prod(batch.shape)
    spots = np.full((count, passes + 1, len(SPOT_COLUMNS)), np.nan)
    leaks = np.zeros((count, passes + 1, len(cell.holes)))
    tallies = np.empty((count, len(TALLY_COLUMNS)))
    sides = batch.hole_on_far, batch.exit_far
    follow(batch.packed(), *sides, passes, 0.0, tallies, spots, leaks)
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
        exit=_exit(tallies, batch),
    )


@cache
def _helpers(count: int) -> ThreadPoolExecutor:
    return ThreadPoolExecutor(count, thread_name_prefix="follows light")


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_helpers.cache_clear)  # a copied process has no helpers


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


def _exit(tallies: FloatArray, batch: Batch) -> Exit:
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
