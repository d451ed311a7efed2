"""What earlier runs found out about the axes of a bench: which of them go right, what their
reversals lose, and what their steps do. It holds as long as the same motor is driven in the same
way."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from autocell.bench.bench import Bench
from autocell.bench.step_counting import StepState
from autocell.description import BenchDescription
from autocell.errors import AutocellError, StoreError
from autocell.records import RunWriter, Store

_OF_THE_DRIVER = ("device", "channel", "direction", "units_per_mm", "units_per_mrad")
"""Of an axis, what its driver makes of it; the rest says where it may go."""


def hardware(description: BenchDescription, axis: str, identity: str | None = None) -> str:
    """A text that changes when an axis is driven in another way: with the section of its device
    and all files that it names, the axis's own words to the driver, and what the device calls
    itself (as the bench file expects it, unless it was asked)."""
    described = description.axes[axis]
    device = description.devices[described.device]
    told = {
        "device": _with_files(device.section, description.path.parent),
        "axis": {key: described.section.get(key) for key in _OF_THE_DRIVER},
        "identity": device.identity if identity is None else identity,
    }
    text = json.dumps(told, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def vouch(bench: Bench, store: Store) -> None:
    """Spare the axes their first move that have made it before, on the same hardware.

    Raises StoreError.
    """
    known = store.first_moves(bench.description.name)
    bench.vouch_for(name for name, by in _hardware(bench).items() if known.get(name) == by)


def remember(bench: Bench, store: Store, journal: RunWriter) -> None:
    """Write down which axes have made their first move, and which have to make it again.

    A store that cannot be written only means that they make it again.
    """
    with contextlib.suppress(AutocellError):
        known, now = store.first_moves(bench.description.name), _hardware(bench)
        for name, tried in bench.tried().items():
            if tried != (known.get(name) == now[name]):
                journal.first_move(name, now[name], tried)


def with_measured_backlash(description: BenchDescription, store: Store) -> BenchDescription:
    """The bench with the backlash that was measured on each axis where that is more than its file
    says: guard, approaches and limits then all reckon with it. Raises StoreError."""
    axes = dict(description.axes)
    for name, found in store.axis_measurements(description.name).items():
        axis = axes.get(name)
        if axis is None or found.hardware != hardware(description, name):
            continue
        if found.backlash > axis.backlash:
            axes[name] = replace(axis, backlash=found.backlash)
    return replace(description, axes=axes)


def with_learned_steps(description: BenchDescription, store: Store) -> BenchDescription:
    """The bench with what its light has told of the steps of each open-loop axis, unless the bench
    file is surer or does not allow it. Raises StoreError."""
    axes = dict(description.axes)
    for name, found in store.step_gains(description.name).items():
        axis = axes.get(name)
        if axis is None or axis.open_loop is None or found.hardware != hardware(description, name):
            continue
        low, high = axis.open_loop.ratios  # the file may have been narrowed since
        if low <= found.backward <= high and found.backward_u < axis.open_loop.backward_u:
            learned = replace(axis.open_loop, backward=found.backward, backward_u=found.backward_u)
            axes[name] = replace(axis, open_loop=learned)
    return replace(description, axes=axes)


def recall_steps(bench: Bench, store: Store) -> None:
    """Let open-loop axes be where the run before believed them, on the same hardware.

    Raises StoreError.
    """
    now = _hardware(bench)
    known = store.step_counts(bench.description.name)
    try:
        bench.recall_steps(
            {
                name: StepState(**found.state)
                for name, found in known.items()
                if name in bench.open_loop.names and found.hardware == now[name]
            }
        )
    except TypeError as error:
        raise StoreError(
            f"{store.path}: where the axes of {bench.description.name} were left cannot be read "
            f"({error}); restore a copy of the store, or start a new one with AUTOCELL_STORE"
        ) from error


def keep_steps(bench: Bench, journal: RunWriter) -> None:
    """Write down where open-loop axes are believed to be, now and whenever they come to rest."""
    now = _hardware(bench)
    bench.open_loop.keep(lambda name, state: journal.steps_counted(name, now[name], asdict(state)))


def _hardware(bench: Bench) -> dict[str, str]:
    axes = bench.description.axes
    return {
        name: hardware(bench.description, name, bench.identities[axis.device])
        for name, axis in axes.items()
    }


def _with_files(section: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """A device section, and by their content the files that it names: a dialect, a program."""
    files = {}
    for value in section.values():
        name = value.partition(":")[0] if isinstance(value, str) else ""
        with contextlib.suppress(OSError):  # what cannot be read the driver will complain about
            if name and (folder / name).is_file():
                files[value] = hashlib.sha256((folder / name).read_bytes()).hexdigest()
    return {"section": dict(section), "files": files}
