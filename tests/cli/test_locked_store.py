"""A run store that another program has locked: a stop reaches every axis while it is waited for."""

from __future__ import annotations

import signal
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing

import pytest

from autocell.session.claim import claimed_names, owner_of
from tests.cli.conftest import CommandLine, Served, Simulation
from tests.cli.test_stop import slow_bench
from tests.cli.test_unreadable_store import moving, on_the_wire


@pytest.fixture(scope="module")
def served(module_autocell: CommandLine) -> Iterator[Served]:
    """A bench whose stage takes half a minute to its other end."""
    slow = slow_bench(module_autocell.folder)
    with module_autocell.simulating("--seed", 5, "--tcp", bench=slow) as bench:
        module_autocell.store.parent.mkdir()
        yield module_autocell, bench


def set_off(bench: Simulation) -> None:
    """Have the stage move, as a run that was killed leaves it."""
    at = float(on_the_wire(bench, "1 PO?").split()[-1])
    assert on_the_wire(bench, f"1 MA {5.0 if at > 25.0 else 45.0:.5f}") == "1 OK"
    while not moving(bench):  # the bit comes late
        pass


def has_claimed(process: int) -> bool:
    return any(owner and owner.process == process for owner in map(owner_of, claimed_names()))


@pytest.mark.parametrize(
    ("command", "how"), [("change 50", "SIGINT"), ("survey --dry-run", "autocell stop")]
)
def test_every_axis_stands_still_once_the_command_has_ended(
    served: Served, command: str, how: str
) -> None:
    autocell, bench = served
    with closing(sqlite3.connect(autocell.store, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        other.execute("CREATE TABLE peat (depth)")
        set_off(bench)
        process = autocell.start(*command.split(), "--bench", bench.bench_file)
        while not has_claimed(process.pid):
            assert process.poll() is None, process.communicate()
            time.sleep(0.02)
        time.sleep(0.2)  # it waits for the store now
        if how == "SIGINT":
            process.send_signal(signal.SIGINT)
        else:
            stopped = autocell.here("stop", "--bench", bench.bench_file)
            assert "every axis was told to stop" in stopped.out
            assert stopped.code == 0
        _, told = process.communicate(timeout=240)
    assert process.returncode == 4
    assert "every axis was told to stop" in " ".join(told.split())
    while moving(bench):  # it brakes
        pass
    assert 6.0 < float(on_the_wire(bench, "1 PO?").split()[-1]) < 44.0
