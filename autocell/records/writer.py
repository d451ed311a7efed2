"""Writes one run down as it happens: the journal that the bench is given."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

from autocell.errors import StoreError
from autocell.outcome import Outcome
from autocell.reading import Reading
from autocell.records.database import Database

Utc = Callable[[], datetime]


class RunWriter:
    """One run being written. Each call is on disk before it returns, or raises StoreError.

    Only readings do not wait for the disk, so that a reading takes no longer than it must: they
    are in the store whatever becomes of this process, and on disk before the next move is sent.
    """

    def __init__(self, database: Database, run: str, utc: Utc) -> None:
        self.id = run
        self._database = database
        self._utc = utc

    def stood(self, positions: Mapping[str, float]) -> None:
        """Write down where every axis stood before this run moved it, m or rad.

        That is how to come back. Told again it changes nothing.
        """
        with self._database.transaction() as connection:
            connection.executemany(
                "INSERT OR IGNORE INTO positions (run, axis, position, utc) VALUES (?, ?, ?, ?)",
                [(self.id, axis, place, self._now()) for axis, place in positions.items()],
            )

    def first_move(self, axis: str, hardware: str, seen_right: bool) -> None:
        """Write down whether an axis has shown its sign and scale on this ``hardware``, or has to
        show them again."""
        self._database.write(
            "INSERT OR REPLACE INTO first_moves (run, axis, hardware, seen_right, utc)"
            " VALUES (?, ?, ?, ?, ?)",
            (self.id, axis, hardware, int(seen_right), self._now()),
        )

    def axis_measured(
        self, axis: str, hardware: str, backlash: float, figures: Mapping[str, Any]
    ) -> None:
        """Write down what the reversals of an axis lose (m or rad) on this ``hardware``, and the
        figures that it was told with."""
        self._database.write(
            "INSERT OR REPLACE INTO axis_measurements"
            " (run, axis, hardware, backlash, figures, utc) VALUES (?, ?, ?, ?, ?, ?)",
            (self.id, axis, hardware, backlash, json.dumps(figures), self._now()),
        )

    def steps_counted(self, axis: str, hardware: str, state: Mapping[str, Any]) -> None:
        """Write down what is believed of an open-loop axis that has come to rest."""
        self._database.write(
            "INSERT OR REPLACE INTO step_counts (run, axis, hardware, state, utc)"
            " VALUES (?, ?, ?, ?, ?)",
            (self.id, axis, hardware, json.dumps(state), self._now()),
        )

    def steps_learned(
        self,
        axis: str,
        hardware: str,
        backward: float,
        backward_u: float,
        figures: Mapping[str, Any],
    ) -> None:
        """Write down what a step backward of an open-loop axis does beside one forward, and the
        figures that it was told with."""
        self._database.write(
            "INSERT OR REPLACE INTO step_gains"
            " (run, axis, hardware, backward, backward_u, figures, utc)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            (self.id, axis, hardware, backward, backward_u, json.dumps(figures), self._now()),
        )

    def move_intended(
        self, time_s: float, axis: str, start: float, target: float, purpose: str
    ) -> int:
        """Write a move down before it is made; its number."""
        with self._database.transaction() as connection:
            (last,) = connection.execute(
                "SELECT coalesce(max(number), 0) FROM moves WHERE run = ?", (self.id,)
            ).fetchone()
            connection.execute(
                "INSERT INTO moves"
                " (run, number, axis, start, target, purpose, intended_s, intended_utc)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (self.id, last + 1, axis, start, target, purpose, time_s, self._now()),
            )
        return int(last) + 1

    def move_ended(self, move: int, time_s: float, position: float, outcome: str) -> None:
        """Write down where the move ended."""
        self._database.write(
            "UPDATE moves SET ended_s = ?, ended_utc = ?, position = ?, outcome = ?"
            " WHERE run = ? AND number = ?",
            (time_s, self._now(), position, outcome, self.id, move),
        )

    def reading(self, reading: Reading, purpose: str) -> None:
        """Write down a reading."""
        setting = reading.setting
        self._append(
            "readings",
            {
                "time_s": reading.time_s,
                "utc": self._now(),
                "spacing_m": setting.spacing_m,
                "x_m": setting.x_m,
                "y_m": setting.y_m,
                "slope_x": setting.slope_x,
                "slope_y": setting.slope_y,
                "power_w": reading.power_w,
                "uncertainty_w": reading.uncertainty_w,
                "samples": reading.samples,
                "purpose": purpose,
            },
            waits=False,
        )

    def event(self, time_s: float, kind: str, text: str) -> None:
        """Write down anything else worth telling."""
        self._append("events", {"time_s": time_s, "utc": self._now(), "kind": kind, "text": text})

    def finish(self, outcome: Outcome) -> Outcome:
        """Write down how the run ended; the outcome under the run's id.

        Raises StoreError also when the run has ended already.
        """
        outcome = outcome.with_run(self.id)
        ended = self._database.write(
            "UPDATE runs SET finished_utc = ?, verdict = ?, wanted_passes = ?, passes = ?,"
            " proved = ?, outcome = ? WHERE id = ? AND finished_utc IS NULL",
            (
                self._now(),
                outcome.verdict.value,
                outcome.wanted_passes,
                outcome.passes,
                int(outcome.proof is not None and outcome.proof.proved),
                json.dumps(outcome.as_dict(), allow_nan=False),
                self.id,
            ),
        )
        if ended == 0:
            raise StoreError(
                f"run store {self._database.path}: run {self.id} has ended already; nothing changed"
            )
        return outcome

    def _append(self, table: str, values: Mapping[str, str | float], *, waits: bool = True) -> None:
        """Add a row under the run's next number."""
        columns = ", ".join(["run", "number", *values])
        marks = ", ".join("?" for _ in values)
        self._database.write(
            f"INSERT INTO {table} ({columns})"
            f" SELECT ?, coalesce(max(number), 0) + 1, {marks} FROM {table} WHERE run = ?",
            (self.id, *values.values(), self.id),
            waits=waits,
        )

    def _now(self) -> str:
        return self._utc().astimezone(UTC).isoformat()
