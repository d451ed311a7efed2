"""Ask a batch of cells what a beam does in them.

:func:`trace` keeps every spot; :func:`exit_power` keeps only what a power meter and a pass
counter would, and is what the belief asks thousands of times.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocell.optics import kernel
from autocell.optics.cell import Cell, FloatArray, InputBeam

IntArray = NDArray[np.int64]

_TALLY = 6
_BLOCK = 4096  # rows packed at a time: bounds memory, keeps a block in the second-level cache


@dataclass(frozen=True)
class Exit:
    """What leaves through the exit mirror and reaches the detector. Arrays of the batch shape.

    ``power`` is a fraction of the power arriving at the entrance hole. ``passes`` is the number
    of passes made by the light that carries most of it, ``passes_power`` that light alone,
    ``path_length_m`` its length from the entrance to the exit mirror surface.
    ``mean_passes`` is weighted by power, and differs from ``passes`` when light leaks early.
    """

    power: FloatArray
    passes: IntArray
    passes_power: FloatArray
    path_length_m: FloatArray
    mean_passes: FloatArray


@dataclass(frozen=True)
class Path:
    """Every arrival at a mirror, pass by pass; B cells, N passes, H holes.

    Index 0 along the passes is the entrance. ``position_m`` and ``direction`` (after the
    reflection) are (B, N+1, 3); ``incidence_rad`` and ``chord_m`` (B, N+1); ``footprint_per_m2``
    (B, N+1, 3) holds Sxx, Sxy, Syy of the intensity exp(−2 ρᵀSρ) in the mirror's x, y; ``arriving``
    and ``beyond_edge`` (B, N+1) and ``leaks`` (B, N+1, H) are fractions of the power that arrives
    at the entrance hole. Rows after a beam missed the mirror altogether are NaN.
    """

    position_m: FloatArray
    direction: FloatArray
    incidence_rad: FloatArray
    chord_m: FloatArray
    footprint_per_m2: FloatArray
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
        """Large and small 1/e² radius of the footprint on the mirror, each (B, N+1)."""
        sxx, sxy, syy = np.moveaxis(self.footprint_per_m2, -1, 0)
        mean = 0.5 * (sxx + syy)
        split = np.hypot(0.5 * (sxx - syy), sxy)
        return 1.0 / np.sqrt(mean - split), 1.0 / np.sqrt(mean + split)

    @property
    def ellipse_angle_rad(self) -> FloatArray:
        """Direction of the large axis of the footprint from the x axis, (B, N+1)."""
        sxx, sxy, syy = np.moveaxis(self.footprint_per_m2, -1, 0)
        return 0.5 * np.arctan2(-2.0 * sxy, syy - sxx)


def pack(cell: Cell, beam: InputBeam) -> FloatArray:
    """One row of kernel parameters per cell of the batch, (B, columns).

    Raises:
        ValueError: when the arrays inside ``cell`` and ``beam`` do not broadcast together.
    """
    parts = {
        "cell": cell,
        "entrance_mirror": cell.entrance_mirror,
        "far_mirror": cell.far_mirror,
        "beam": beam,
        "detector": cell.detector,
    }
    columns = [getattr(parts[part], name) for part, name in kernel.COLUMNS]
    for hole in cell.holes:
        columns += [hole.x_m, hole.y_m, hole.radius_m]
    shape = np.broadcast_shapes(*(np.shape(column) for column in columns))
    rows = np.empty((*shape, len(columns)))
    for index, column in enumerate(columns):
        rows[..., index] = column
    return rows.reshape(-1, len(columns))


def batch_shape(cell: Cell, beam: InputBeam) -> tuple[int, ...]:
    """Shape that all arrays of ``cell`` and ``beam`` broadcast to; () for a single cell."""
    leaves = [getattr(cell, "spacing_m")]
    for part in (cell.entrance_mirror, cell.far_mirror, cell.detector, beam, *cell.holes):
        leaves += [value for name, value in vars(part).items() if name != "mirror"]
    return np.broadcast_shapes(*(np.shape(leaf) for leaf in leaves))


def _sides(cell: Cell) -> tuple[NDArray[np.bool_], bool]:
    if not cell.holes or cell.holes[0].mirror != "entrance":
        raise ValueError("the first hole is the entrance and must be on the entrance mirror")
    return np.array([hole.mirror == "far" for hole in cell.holes]), cell.exit_mirror == "far"


def exit_power(
    cell: Cell, beam: InputBeam, max_passes: int, *, floor: float = 1e-10, threads: int = 1
) -> Exit:
    """What reaches the detector of each cell of the batch.

    Light is followed for at most ``max_passes`` passes, or until less than ``floor`` of what
    arrives at the entrance hole is left: the power is right to that.

    Raises:
        ValueError: arrays that do not broadcast, or no entrance hole on the entrance mirror.
    """
    rows = pack(cell, beam)
    tallies = tally_rows(rows, *_sides(cell), max_passes, floor, threads=threads)
    return _exit(tallies, batch_shape(cell, beam))


def tally_rows(
    rows: FloatArray,
    hole_on_far: NDArray[np.bool_],
    exit_far: bool,
    max_passes: int,
    floor: float,
    *,
    threads: int = 1,
) -> FloatArray:
    """:func:`exit_power` on rows that are packed already; (B, 6) as :func:`kernel.follow` says."""
    tallies = np.empty((len(rows), _TALLY))
    if threads == 1:
        kernel.follow_all(rows, hole_on_far, exit_far, max_passes, floor, tallies)
        return tallies
    starts = range(0, len(rows), _BLOCK)
    with ThreadPoolExecutor(threads) as pool:
        blocks = [
            pool.submit(
                kernel.follow_all,
                rows[start : start + _BLOCK],
                hole_on_far,
                exit_far,
                max_passes,
                floor,
                tallies[start : start + _BLOCK],
            )
            for start in starts
        ]
        for block in blocks:
            block.result()
    return tallies


def trace(cell: Cell, beam: InputBeam, passes: int) -> Path:
    """Follow the beam through each cell of the batch for exactly ``passes`` passes.

    Light that has left through a hole is counted once and the chief ray is followed on, so that
    the spots after a leak, and those of a beam wholly lost, are still where they would be.

    Raises:
        ValueError: arrays that do not broadcast, or no entrance hole on the entrance mirror.
    """
    rows = pack(cell, beam)
    shape = batch_shape(cell, beam)
    count = len(rows)
    spots = np.full((count, passes + 1, len(kernel.SPOT_COLUMNS)), np.nan)
    leaks = np.zeros((count, passes + 1, len(cell.holes)))
    tallies = np.empty((count, _TALLY))
    kernel.follow_paths(rows, *_sides(cell), passes, spots, leaks, tallies)
    spots = spots.reshape(*shape, passes + 1, -1)
    return Path(
        position_m=spots[..., 0:3],
        direction=spots[..., 3:6],
        incidence_rad=spots[..., 6],
        chord_m=spots[..., 12],
        footprint_per_m2=spots[..., 7:10],
        arriving=spots[..., 10],
        beyond_edge=spots[..., 11],
        leaks=leaks.reshape(*shape, passes + 1, -1),
        exit=_exit(tallies, shape),
    )


def _exit(tallies: FloatArray, shape: tuple[int, ...]) -> Exit:
    columns = [column.reshape(shape) for column in tallies.T]
    power, passes, passes_power, path_length, _followed, mean_passes = columns
    return Exit(power, passes.astype(np.int64), passes_power, path_length, mean_passes)
