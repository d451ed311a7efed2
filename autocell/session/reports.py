"""The HTML page of a run: where it goes, and the bench file it was made with."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

from autocell.bench.file import load
from autocell.description import BenchDescription
from autocell.errors import BenchFileError, UsageError
from autocell.records import RunRecord, Store
from autocell.report import render
from autocell.whole_file import put


def report_path(store: Store, run: str) -> Path:
    """Where the report of a run goes unless told otherwise."""
    return store.path.absolute().parent / "reports" / f"{run}.html"


def write_report(run: RunRecord, description: BenchDescription, path: Path) -> Path:
    """Write the page; its path. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    put(path, render(run, description))
    return path


def description_of(run: RunRecord) -> BenchDescription:
    """The bench as its file was when the run began. Raises UsageError when it was not kept."""
    if run.bench_text is None:
        raise UsageError(
            f"run {run.summary.id} did not keep its bench file, which changed or vanished while it "
            "began; without it there is no report"
        )
    with tempfile.TemporaryDirectory(prefix="autocell-") as folder:
        kept = Path(folder) / run.bench_path.name
        kept.write_bytes(run.bench_text.encode("utf-8"))
        try:
            return replace(load(kept), path=run.bench_path)
        except BenchFileError as error:
            raise UsageError(
                f"the bench file that run {run.summary.id} kept is refused by this version of "
                f"autocell: {error}"
            ) from error
