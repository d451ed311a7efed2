"""Crashes, locks, full disks and strange files, each made for real."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from autocell.bench.stopping import stop_on_signals
from autocell.description import BenchDescription
from autocell.errors import Stopped, StoreError
from autocell.reading import Reading
from autocell.records import RunWriter, Store
from autocell.records.schema import STEPS
from autocell.setting import Setting

BEGAN = datetime(2026, 11, 25, 9, 31, 7, tzinfo=UTC)
A_READING = Reading(Setting(0.2, 0.02, 0.0, -0.04, 0.07), 3e-3, 2e-7, 8, 12.25)

KILLED_AFTER_INTENT = """
import os, signal, sys
from autocell.records import Store
writer = Store.open(sys.argv[1]).writer(sys.argv[2])
writer.move_intended(1.0, "spacing", 0.0, 0.01, "survey")
os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
"""

KILLED_INSIDE_A_RECORD = """
import os, signal, sys
from autocell.records.database import Database
from pathlib import Path
database = Database.open(Path(sys.argv[1]), 5.0)
with database.transaction() as connection:
    connection.execute(
        "INSERT INTO events VALUES (?, 1, 0.0, '2026-11-25T00:00:00+00:00', 'half', 'done')",
        (sys.argv[2],),
    )
    os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
"""


def _killed(script: str, store: Store, run: RunWriter) -> None:
    ended = subprocess.run([sys.executable, "-c", script, str(store.path), run.id], check=False)
    assert ended.returncode != 0


def test_a_move_that_was_written_down_survives_a_kill(store: Store, run: RunWriter) -> None:
    _killed(KILLED_AFTER_INTENT, store, run)
    (move,) = store.run(run.id).moves
    assert (move.axis, move.target, move.outcome) == ("spacing", 0.01, None)


def test_half_a_record_is_never_seen(store: Store, run: RunWriter) -> None:
    _killed(KILLED_INSIDE_A_RECORD, store, run)
    assert store.run(run.id).events == ()
    run.event(0.0, "note", "the store still takes records")
    assert len(store.run(run.id).events) == 1


def test_the_file_is_in_write_ahead_mode(store: Store) -> None:
    assert store._database.select("PRAGMA journal_mode")[0][0] == "wal"


def test_the_disk_is_waited_for_by_all_but_readings(store: Store, run: RunWriter) -> None:
    asked: list[str] = []
    store._database.connection.set_trace_callback(asked.append)

    def synchronised() -> int:
        """2 is FULL, 1 is NORMAL: https://sqlite.org/pragma.html#pragma_synchronous"""
        return int(store._database.select("PRAGMA synchronous")[0][0])

    run.event(0.0, "note", "before")
    assert synchronised() == 2
    run.reading(A_READING, "test")
    assert synchronised() == 1
    run.move_intended(1.0, "spacing", 0.0, 0.01, "test")
    assert synchronised() == 2
    of_interest = ("PRAGMA synchronous =", "INSERT INTO readings", "COMMIT")
    told = [start for line in asked for start in of_interest if line.startswith(start)]
    values = [line[-6:].strip("= ") for line in asked if line.startswith("PRAGMA synchronous =")]
    assert told[-4:] == [
        "PRAGMA synchronous =", "INSERT INTO readings", "PRAGMA synchronous =", "COMMIT",
    ]  # fmt: skip
    assert values[-2:] == ["NORMAL", "FULL"]


def test_a_record_that_breaks_off_leaves_nothing(store: Store, run: RunWriter) -> None:
    class Interrupt(BaseException):
        pass

    def break_off() -> None:
        with store._database.transaction() as connection:
            connection.execute(
                "INSERT INTO events VALUES (?, 1, 0.0, ?, 'half', 'done')",
                (run.id, BEGAN.isoformat()),
            )
            raise Interrupt

    with pytest.raises(Interrupt):
        break_off()
    assert store.run(run.id).events == ()


def test_an_interrupt_that_comes_while_a_record_waits_for_its_turn_loses_nothing_later(
    store: Store, run: RunWriter
) -> None:
    main = threading.main_thread().ident
    with closing(
        sqlite3.connect(store.path, isolation_level=None, check_same_thread=False)
    ) as other:
        other.execute("BEGIN IMMEDIATE")

        def interrupt() -> None:
            while sys._current_frames()[main or 0].f_code.co_name != "_until_the_next_turn":
                time.sleep(0.001)
            os.kill(os.getpid(), signal.SIGINT)
            other.execute("ROLLBACK")

        thread = threading.Thread(target=interrupt)
        thread.start()
        with pytest.raises(Stopped), stop_on_signals():
            run.move_intended(1.0, "spacing", 0.0, 0.01, "survey")
        thread.join()
    run.event(2.0, "stop", "every axis was told to stop")
    with Store.open(store.path) as read_by_another:
        (event,) = read_by_another.run(run.id).events
    assert event.text == "every axis was told to stop"


def test_two_threads_write_without_losing_a_record(store: Store, run: RunWriter) -> None:
    def write() -> None:
        for _ in range(20):
            run.event(0.0, "note", "x")

    threads = [threading.Thread(target=write) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [event.number for event in store.run(run.id).events] == list(range(1, 41))


def test_a_locked_store_refuses_the_move_and_says_who_to_look_for(
    store: Store, bench: BenchDescription, run: RunWriter
) -> None:
    with (
        Store.open(store.path, patience_s=0.05) as impatient,
        closing(sqlite3.connect(store.path, isolation_level=None)) as other,
    ):
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match=r"runs\.sqlite.*another program"):
            impatient.writer(run.id).move_intended(0.0, "spacing", 0.0, 0.01, "survey")
    assert store.run(run.id).moves == ()


def test_a_full_disk_refuses_the_move_and_keeps_what_was_written(
    store: Store, run: RunWriter
) -> None:
    run.event(0.0, "note", "before")
    # SQLite's own limit gives the same SQLITE_FULL as the disk (https://sqlite.org/pragma.html).
    store._database.connection.execute("PRAGMA max_page_count = 1")
    with pytest.raises(StoreError, match=r"runs\.sqlite.*full.*AUTOCELL_STORE"):
        run.event(0.0, "note", "x" * 1_000_000)
    store._database.connection.execute("PRAGMA max_page_count = 100000")
    assert store.run(run.id).events[0].text == "before"


def test_a_store_of_a_newer_autocell_is_left_alone(store: Store) -> None:
    store._database.connection.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
    with pytest.raises(StoreError, match=rf"version {len(STEPS) + 1}.*update autocell"):
        Store.open(store.path)


def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("Sphagnum, 12 cm, wet.\n" * 100)
    with pytest.raises(StoreError, match=r"notes\.txt.*not a run store"):
        Store.open(path)
    assert path.read_text().startswith("Sphagnum")


def test_a_database_of_another_program_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "plants.sqlite"
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE plants (name TEXT)")
    with pytest.raises(StoreError, match="belongs to another program"):
        Store.open(path)


def test_a_damaged_store_is_reported_as_damaged(store: Store, run: RunWriter) -> None:
    for _ in range(200):
        run.event(0.0, "note", "x" * 500)
    store.close()
    content = bytearray(store.path.read_bytes())
    half = len(content) // 2  # the tables' own description comes before
    content[half:] = b"\xa5" * (len(content) - half)
    store.path.write_bytes(content)
    with Store.open(store.path) as opened, pytest.raises(StoreError, match="damaged"):
        opened.run(run.id)


def test_a_folder_that_cannot_be_made_is_an_error_with_a_cure(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="AUTOCELL_STORE"):
        Store.open(tmp_path / "file" / "runs.sqlite")


def test_a_closed_store_raises_its_own_error(store: Store, run: RunWriter) -> None:
    store.close()
    with pytest.raises(StoreError):
        run.event(0.0, "note", "too late")


def test_an_outcome_from_elsewhere_is_reported_by_run(store: Store, run: RunWriter) -> None:
    store._database.write("UPDATE runs SET outcome = ? WHERE id = ?", ('{"no": "outcome"}', run.id))
    with pytest.raises(StoreError, match=run.id):
        store.run(run.id)
