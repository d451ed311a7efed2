"""One SQLite file: opened, brought up to date, and each of its errors given a cure.

The file is in write-ahead mode with full synchronisation: what a transaction wrote is on disk
when it ends (https://sqlite.org/pragma.html#pragma_synchronous), unless it was told not to wait.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import RLock
from typing import Any, Self

from autocell.errors import StoreError
from autocell.records.schema import APPLICATION_ID, STEPS

_TURN_S = 0.02
"""Between two tries at a locked file."""


class _Patient(sqlite3.Connection):
    """Asks again while another program has the file locked.

    SQLite can wait by itself, but does so where Python hears no signal: a stop would have to wait
    along, and an axis under way would go on meanwhile.
    """

    patience_s = 0.0

    def execute(self, *statement: Any) -> sqlite3.Cursor:
        until = time.monotonic() + self.patience_s
        while True:
            try:
                return super().execute(*statement)
            except sqlite3.OperationalError as error:
                if not _name_of(error).startswith("SQLITE_BUSY") or time.monotonic() >= until:
                    raise
            _until_the_next_turn()


def _until_the_next_turn() -> None:
    """A signal ends this at once."""
    time.sleep(_TURN_S)


class Database:
    """An open file. All its methods raise StoreError."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self.connection = connection
        self._lock = RLock()
        self._waits: bool | None = None

    @classmethod
    def open(cls, path: Path, patience_s: float) -> Self:
        """Open the file, made first if there is none; brought up to date if it is older."""
        with _store_errors(path):
            if str(path) != ":memory:":
                path.parent.mkdir(parents=True, exist_ok=True)
            # A stop may be written down from another thread than the one that moves.
            connection = sqlite3.connect(
                path, timeout=0, isolation_level=None, check_same_thread=False, factory=_Patient
            )
            connection.patience_s = patience_s
            try:
                connection.row_factory = sqlite3.Row
                _bring_up_to_date(connection, path)
                connection.execute("PRAGMA journal_mode = WAL")
                connection.execute("PRAGMA foreign_keys = ON")
            except BaseException:
                connection.close()
                raise
        return cls(path, connection)

    def close(self) -> None:
        """Let go of the file. Harmless twice."""
        self.connection.close()

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All of what is written inside, or none of it."""
        with _store_errors(self.path), self._lock:
            self._synchronise(waits=True)
            try:  # an interrupt may be raised as BEGIN returns, when there is something to undo
                self.connection.execute("BEGIN IMMEDIATE")
                yield self.connection
                self.connection.execute("COMMIT")
            except BaseException:
                if self.connection.in_transaction:
                    self.connection.execute("ROLLBACK")
                raise

    def _synchronise(self, *, waits: bool) -> None:
        if waits != self._waits:
            self.connection.execute(f"PRAGMA synchronous = {'FULL' if waits else 'NORMAL'}")
            self._waits = waits

    def write(self, statement: str, values: tuple[Any, ...], *, waits: bool = True) -> int:
        """One statement, which is a transaction by itself; how many rows it changed.

        Without ``waits`` the disk is not waited for: the end of this process loses nothing, a power
        failure what was written since the last that waited.
        """
        with _store_errors(self.path), self._lock:
            self._synchronise(waits=waits)
            return self.connection.execute(statement, values).rowcount

    def select(self, statement: str, values: tuple[Any, ...] = ()) -> list[sqlite3.Row]:
        """All rows of one query."""
        with _store_errors(self.path), self._lock:
            return self.connection.execute(statement, values).fetchall()


_CURES = {
    "SQLITE_BUSY": "another program has kept it locked; close that program, or wait and try again",
    "SQLITE_LOCKED": "another program has kept it locked; close that program and try again",
    "SQLITE_FULL": "the disk is full; free some space, or choose another disk with AUTOCELL_STORE",
    "SQLITE_READONLY": "it may not be written; change its permissions, or set AUTOCELL_STORE",
    "SQLITE_CANTOPEN": "it cannot be opened; check the folder and its permissions, or set"
    " AUTOCELL_STORE to another file",
    "SQLITE_NOTADB": "it is not a run store; set AUTOCELL_STORE to another file",
    "SQLITE_CORRUPT": "it is damaged; move it aside and restore a copy, or start a new one",
    "SQLITE_IOERR": "the disk failed to read or write; check the disk and its free space",
}


def _name_of(error: sqlite3.Error) -> str:
    """SQLite's own name of what went wrong; empty where it has none."""
    return str(getattr(error, "sqlite_errorname", ""))


@contextmanager
def _store_errors(path: Path) -> Iterator[None]:
    """Turn what SQLite and the file system raise into a StoreError with its cure."""
    try:
        yield
    except sqlite3.Error as error:
        name = _name_of(error)
        cure = next((cure for code, cure in _CURES.items() if name.startswith(code)), None)
        raise StoreError(f"run store {path}: {cure or error} ({name or 'SQLite'})") from error
    except StoreError:
        raise
    except OSError as error:
        raise StoreError(
            f"run store {path}: {error.strerror}; choose another file with AUTOCELL_STORE"
        ) from error


def _bring_up_to_date(connection: sqlite3.Connection, path: Path) -> None:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if tables and application != APPLICATION_ID:
        raise StoreError(
            f"run store {path}: it belongs to another program; set AUTOCELL_STORE to another file"
        )
    if version > len(STEPS):
        raise StoreError(
            f"run store {path}: it has version {version} and this autocell knows {len(STEPS)} at "
            "most; update autocell, or set AUTOCELL_STORE to another file"
        )
    if version == len(STEPS):
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Another process may have done it while this one waited for the lock.
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        for step in STEPS[version:]:
            for statement in step:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(STEPS)}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
