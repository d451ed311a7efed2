"""The run store: every run, move, reading and event in one SQLite file.

Each record is one transaction, so a record is before or after, never between.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from sqlite3 import Row
from types import TracebackType
from typing import Any, Self, TypeVar

from platformdirs import user_data_path

from autocell.description import BenchDescription
from autocell.errors import StoreError, UsageError
from autocell.outcome import Outcome, Verdict
from autocell.records.database import Database
from autocell.records.run import (
    AxisMeasurement,
    RunRecord,
    RunSummary,
    StepCount,
    StepGain,
    Whereabouts,
    event_of,
    measurement_of,
    move_of,
    reading_of,
    step_count_of,
    step_gain_of,
    summary_of,
    whereabouts_of,
)
from autocell.records.writer import RunWriter, Utc

Known = TypeVar("Known")


def default_path() -> Path:
    """Where runs are kept unless told otherwise: ``AUTOCELL_STORE``, or the user's data folder."""
    chosen = os.environ.get("AUTOCELL_STORE")
    return Path(chosen) if chosen else user_data_path("autocell") / "runs.sqlite"


def _machine_utc() -> datetime:
    return datetime.now(UTC)


class Store:
    """An open run store. Use :meth:`open`; it is a context manager."""

    def __init__(self, database: Database, utc: Utc) -> None:
        self._database = database
        self._utc = utc

    @classmethod
    def open(
        cls, path: Path | str | None = None, *, utc: Utc = _machine_utc, patience_s: float = 5.0
    ) -> Self:
        """Open the store, made first if there is none; brought up to date if it is older.

        ``":memory:"`` gives one that is forgotten. ``utc`` is the clock that stamps records;
        ``patience_s`` how long to wait for another program that is writing.

        Raises:
            StoreError: unreadable, locked, full, of a newer autocell, or not a run store.
        """
        place = Path(path) if path is not None else default_path()
        return cls(Database.open(place, patience_s), utc)

    @property
    def path(self) -> Path:
        """The file."""
        return self._database.path

    def close(self) -> None:
        """Let go of the file. Harmless twice."""
        self._database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def wait_until_writable(self) -> None:
        """Wait for another program that is writing; a stop ends the wait.

        Raises StoreError when that program takes too long.
        """
        with self._database.transaction():
            pass

    def begin(
        self,
        command: str,
        bench: BenchDescription,
        started_utc: datetime,
        version: str,
        arguments: Mapping[str, Any],
    ) -> RunWriter:
        """Start a run; its id is the UTC minute it began in and a counter.

        Raises:
            StoreError: when it cannot be written; then nothing should move.
        """
        started = started_utc.astimezone(UTC)
        minute = started.strftime("%Y%m%d-%H%M")
        bench_text = _unchanged_text(bench)
        with self._database.transaction() as connection:
            (taken,) = connection.execute(
                "SELECT count(*) FROM runs WHERE id GLOB ? || '-*'", (minute,)
            ).fetchone()
            run = f"{minute}-{taken + 1:02d}"
            connection.execute(
                "INSERT INTO runs (id, command, arguments, version, bench_name, bench_path,"
                " bench_sha256, bench_text, started_utc) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    run,
                    command,
                    json.dumps(arguments, default=str),
                    version,
                    bench.name,
                    str(bench.path),
                    bench.sha256,
                    bench_text,
                    started.isoformat(),
                ),
            )
        writer = RunWriter(self._database, run, self._utc)
        if bench_text is None:
            writer.event(0.0, "bench file", f"{bench.path} changed or vanished after it was read")
        return writer

    def writer(self, run: str) -> RunWriter:
        """Go on writing to a run that was broken off. Raises UsageError for an unknown id."""
        self._row(run)
        return RunWriter(self._database, run, self._utc)

    def runs(self, bench: str | None = None, limit: int = 20) -> list[RunSummary]:
        """The latest runs, newest first; of one bench when its name or file hash is given."""
        rows = self._database.select(
            "SELECT * FROM runs WHERE ?1 IS NULL OR ?1 IN (bench_name, bench_sha256)"
            " ORDER BY sequence DESC LIMIT ?2",
            (bench, limit),
        )
        return [summary_of(row) for row in rows]

    def unfinished(self, bench: str | None = None) -> list[RunSummary]:
        """Runs that never said how they ended, newest first: broken off, or still going."""
        rows = self._database.select(
            "SELECT * FROM runs WHERE finished_utc IS NULL"
            " AND (?1 IS NULL OR ?1 IN (bench_name, bench_sha256)) ORDER BY sequence DESC",
            (bench,),
        )
        return [summary_of(row) for row in rows]

    def asked_with(
        self, bench: str, arguments: Mapping[str, str | float], latest: int = -1
    ) -> list[RunRecord]:
        """The runs of the bench with this name or file hash that were asked for with these
        arguments, the oldest first; only the ``latest`` so many, unless that is negative."""
        conditions = "".join(" AND json_extract(arguments, ?) = ?" for _ in arguments)
        values = [part for name, value in arguments.items() for part in (f"$.{name}", value)]
        rows = self._database.select(
            f"SELECT id FROM runs WHERE ? IN (bench_name, bench_sha256){conditions}"
            " ORDER BY sequence DESC LIMIT ?",
            (bench, *values, latest),
        )
        return [self.run(row["id"]) for row in reversed(rows)]

    def with_other_files(self, bench: BenchDescription) -> int:
        """How many runs a bench of this name has had whose bench file said something else: another
        bench perhaps, and no history of this one."""
        (row,) = self._database.select(
            "SELECT count(*) AS runs FROM runs WHERE bench_name = ? AND bench_sha256 <> ?",
            (bench.name, bench.sha256),
        )
        return int(row["runs"])

    def last_proved(
        self, bench: str, passes: int | None = None, verdict: Verdict | None = None
    ) -> RunRecord | None:
        """The last run that proved its pass count, of the bench with this name or file hash.

        This is the reference to compare a later state with. ``passes`` narrows it to one count,
        ``verdict`` to runs that ended so.
        """
        rows = self._database.select(
            "SELECT id FROM runs WHERE ?1 IN (bench_name, bench_sha256) AND proved = 1"
            " AND (?2 IS NULL OR passes = ?2) AND (?3 IS NULL OR verdict = ?3)"
            " ORDER BY sequence DESC LIMIT 1",
            (bench, passes, None if verdict is None else verdict.value),
        )
        return self.run(rows[0]["id"]) if rows else None

    def whereabouts(self, bench: str) -> dict[str, Whereabouts]:
        """Where the runs of the bench with this name left each axis, as far as any tells.

        Demonstrations are left out: each has a bench of its own, which ends with it.
        """
        moves = self._last_of_each_axis("moves", "sequence * 1000000 + number", bench)
        starts = self._last_of_each_axis("positions", "sequence", bench)
        known = {row["axis"]: whereabouts_of(row) for row in moves}
        told_by = {row["axis"]: row["sequence"] for row in moves}
        for row in starts:
            axis, place = row["axis"], row["position"]
            if row["sequence"] > told_by.get(axis, 0):
                known[axis] = Whereabouts(place, place, row["run"])
        return known

    def first_moves(self, bench: str) -> dict[str, str]:
        """The axes of the bench with this name that have shown their sign and scale, unless they
        have to again, each with the hardware that it did so on."""
        rows = self._last_of_each_axis("first_moves", "sequence", bench)
        return {row["axis"]: row["hardware"] for row in rows if row["seen_right"]}

    def axis_measurements(self, bench: str) -> dict[str, AxisMeasurement]:
        """The last measurement of each axis of the bench with this name."""
        rows = self._last_of_each_axis("axis_measurements", "sequence", bench)
        return self._axes_read(rows, measurement_of, bench)

    def step_counts(self, bench: str) -> dict[str, StepCount]:
        """What is believed of each open-loop axis of the bench with this name."""
        rows = self._last_of_each_axis("step_counts", "sequence", bench)
        return self._axes_read(rows, step_count_of, bench)

    def step_gains(self, bench: str) -> dict[str, StepGain]:
        """What the steps of each open-loop axis of the bench with this name were last found to
        do."""
        rows = self._last_of_each_axis("step_gains", "sequence", bench)
        return self._axes_read(rows, step_gain_of, bench)

    def run(self, run: str) -> RunRecord:
        """All that is known of a run. Raises UsageError when there is none with this id."""
        row = self._row(run)

        def rows(table: str) -> list[Row]:
            return self._database.select(
                f"SELECT * FROM {table} WHERE run = ? ORDER BY number", (run,)
            )

        return RunRecord(
            summary=summary_of(row),
            arguments=json.loads(row["arguments"]),
            version=row["version"],
            bench_path=Path(row["bench_path"]),
            bench_text=row["bench_text"],
            stood=self._stood(run),
            moves=tuple(map(move_of, rows("moves"))),
            readings=tuple(map(reading_of, rows("readings"))),
            events=tuple(map(event_of, rows("events"))),
            outcome=self._outcome(row),
        )

    def _axes_read(
        self, rows: Sequence[Row], made: Callable[[Row], Known], bench: str
    ) -> dict[str, Known]:
        """What was written down of each axis. Raises StoreError where that makes no sense."""
        try:
            return {row["axis"]: made(row) for row in rows}
        except ValueError as error:
            raise StoreError(
                f"{self.path}: a measurement of an axis of {bench} cannot be read ({error}); "
                "restore a copy of the store, or start a new one with AUTOCELL_STORE"
            ) from error

    def _last_of_each_axis(self, table: str, order: str, bench: str) -> list[Row]:
        """The latest row about each axis: of an aggregate with ``max`` SQLite gives the columns of
        the row that has it (https://sqlite.org/lang_select.html#bareagg)."""
        return self._database.select(
            f"SELECT {table}.*, sequence, max({order}) FROM {table} JOIN runs ON runs.id = run"
            " WHERE bench_name = ? AND command <> 'demo' GROUP BY axis",
            (bench,),
        )

    def _stood(self, run: str) -> dict[str, float]:
        rows = self._database.select("SELECT * FROM positions WHERE run = ?", (run,))
        return {row["axis"]: row["position"] for row in rows}

    def _row(self, run: str) -> Row:
        rows = self._database.select("SELECT * FROM runs WHERE id = ?", (run,))
        if not rows:
            latest = ", ".join(summary.id for summary in self.runs(limit=3)) or "none yet"
            raise UsageError(f"no run {run!r} in {self.path}; the latest: {latest}")
        return rows[0]

    def _outcome(self, row: Row) -> Outcome | None:
        if row["outcome"] is None:
            return None
        try:
            return Outcome.from_dict(json.loads(row["outcome"]))
        except ValueError as error:
            raise StoreError(
                f"{self.path}: the outcome of run {row['id']} cannot be read ({error}); "
                "its moves and readings are still there for SQLite's own tools"
            ) from error


def _unchanged_text(bench: BenchDescription) -> str | None:
    """The bench file, if it is still the one that was read."""
    try:
        content = bench.path.read_bytes()
    except OSError:
        return None
    return content.decode(errors="replace") if sha256(content).hexdigest() == bench.sha256 else None
