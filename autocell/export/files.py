"""Writes the tables of a run to a file; its suffix says which format."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from autocell.errors import UsageError
from autocell.export.tables import Column, Table, TableName, tables
from autocell.records import RunRecord


def write(run: RunRecord, path: Path, table: TableName, units: Mapping[str, str]) -> None:
    """Write a run to ``path``, in the format of its suffix (:data:`SUFFIXES`).

    CSV holds one table, ``table``; JSON and HDF5 hold all of them, the outcome and the bench file.
    ``units`` gives m or rad for each axis. Raises UsageError for another suffix, or when HDF5 is
    wanted and h5py is not installed; OSError.
    """
    writer = SUFFIXES.get(path.suffix.lower())
    if writer is None:
        known = ", ".join(SUFFIXES)
        raise UsageError(f"{path}: its suffix says no format; give it one of {known}")
    writer(run, tables(run, dict(units)), path, table)


def about(run: RunRecord) -> dict[str, Any]:
    """What is to be known of a run beside its tables; values that are not known are None."""
    summary = run.summary
    finished = summary.finished_utc
    return {
        "run": summary.id,
        "command": summary.command,
        "arguments": json.dumps(dict(run.arguments)),
        "bench": summary.bench_name,
        "bench_file": str(run.bench_path),
        "bench_sha256": summary.bench_sha256,
        "autocell_version": run.version,
        "started_utc": summary.started_utc.isoformat(),
        "finished_utc": None if finished is None else finished.isoformat(),
        "verdict": None if summary.verdict is None else summary.verdict.value,
        "wanted_passes": summary.wanted_passes,
        "passes": summary.passes,
        "proved": summary.proved,
    }


def _write_csv(_run: RunRecord, found: tuple[Table, ...], path: Path, name: TableName) -> None:
    """RFC 4180; what is not known is empty. Units are in the names, and for moves in a column."""
    table = next(one for one in found if one.name == name)
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow(column.name for column in table.columns)
        out.writerows(table.rows())


def _write_json(run: RunRecord, found: tuple[Table, ...], path: Path, _name: TableName) -> None:
    told = {
        **about(run),
        "arguments": dict(run.arguments),
        "outcome": None if run.outcome is None else run.outcome.as_json(),
        "tables": {
            table.name: {
                "about": table.about,
                "units": {column.name: column.unit for column in table.columns if column.unit},
                "rows": [
                    dict(zip((c.name for c in table.columns), row, strict=True))
                    for row in table.rows()
                ],
            }
            for table in found
        },
        "bench_text": run.bench_text,
    }
    path.write_text(json.dumps(told, indent=2, allow_nan=False) + "\n", encoding="utf-8")


def _write_hdf5(run: RunRecord, found: tuple[Table, ...], path: Path, _name: TableName) -> None:
    """A group for each table, a dataset for each column with its unit as attribute ``units``;
    what is to be known of the run are attributes of the file. Unknown numbers are NaN."""
    try:
        import h5py
    except ImportError as error:
        raise UsageError(
            f"{path}: HDF5 needs h5py; install autocell with the extra hdf5: "
            "pip install 'autocell[hdf5]'"
        ) from error
    with h5py.File(path, "w") as file:
        file.attrs.update({key: value for key, value in about(run).items() if value is not None})
        if run.bench_text is not None:
            file.create_dataset("bench_text", data=run.bench_text)
        if run.outcome is not None:
            file.create_dataset("outcome_json", data=json.dumps(run.outcome.as_json()))
        for table in found:
            group = file.create_group(table.name)
            group.attrs["about"] = table.about
            for column in table.columns:
                dataset = group.create_dataset(column.name, **_hdf5_values(column, h5py))
                if column.unit:
                    dataset.attrs["units"] = column.unit


def _hdf5_values(column: Column, h5py: Any) -> dict[str, Any]:
    if column.is_text:
        return {
            "data": ["" if v is None else v for v in column.values],
            "dtype": h5py.string_dtype(),
        }
    if all(isinstance(value, int) for value in column.values):
        return {"data": column.values, "dtype": "i8"}
    return {"data": [float("nan") if v is None else v for v in column.values], "dtype": "f8"}


_Writer = Callable[[RunRecord, tuple[Table, ...], Path, TableName], None]
SUFFIXES: Mapping[str, _Writer] = {
    ".csv": _write_csv,
    ".json": _write_json,
    ".h5": _write_hdf5,
    ".hdf5": _write_hdf5,
}
"""Formats by suffix."""
