"""Recorded runs on a simulated bench that lives on while runs come and go, on a virtual clock."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector
from autocell_simulators.mechanics import SimulatedAxis

from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.protocols import Connect, Transport
from autocell.description import BenchDescription
from autocell.outcome import Outcome, Verdict
from autocell.records import RunRecord, Store
from autocell.session.conduct import Ended, Order, conduct
from autocell.session.safe import Lines

Procedure = Callable[[Bench], Outcome]


class Killed(BaseException):
    """Stands for the end of a process: nothing that it would do afterwards is done."""


def only_read(bench: Bench) -> Outcome:
    bench.read_power("here", max_samples=3)
    return Outcome(Verdict.UNCHANGED, "read", setting=bench.setting)


def go_up(bench: Bench) -> Outcome:
    bench.read_power("the start", max_samples=3)
    bench.move_axes({"spacing": bench.positions()["spacing"] + 5e-3}, "up")
    return Outcome(Verdict.UNCHANGED, "up", setting=bench.setting)


class Laboratory:
    """A simulated bench, its store, and what was told in its runs."""

    def __init__(
        self, bench: BenchDescription, folder: Path, scenario: Scenario | None = None
    ) -> None:
        self.clock = VirtualClock()
        self.simulated = SimulatedBench(bench, 5, self.clock, scenario=scenario)
        self.store_path = folder / "runs.sqlite"
        self.told: list[str] = []

    def run(
        self, procedure: Procedure, command: str = "survey", connect: Connect | None = None
    ) -> Ended:
        self.told = []
        lines = Lines(lambda: self.clock, connect or connector(self.simulated))
        return conduct(
            Order(
                command, self.simulated.description, self.store_path, page=False,
                tell=self.told.append, lines=lines,
            ),
            procedure,
        )  # fmt: skip

    def break_off(self, procedure: Procedure = go_up, *, after_s: float) -> None:
        """A run whose process ends so long after its first move was begun: nothing more reaches
        the bench, and the store is left as it was on disk."""
        dead = _Dead(self.clock, self.store_path, after_s)
        for axis in self.simulated.axes.values():
            axis.on_move = dead.motion_begins
        self.clock.on_advance.append(dead.time_passes)
        ended = self.run(procedure, connect=dead.lines_of(connector(self.simulated)))
        self.clock.on_advance.remove(dead.time_passes)
        assert isinstance(ended.error, Killed)
        for file in self.store_path.parent.glob("runs.sqlite*"):
            file.unlink()
        for name, content in dead.left.items():
            (self.store_path.parent / name).write_bytes(content)

    def forget_the_end_of(self, run: str) -> None:
        """As if the process had been killed with its last statement still to be written."""
        with Store.open(self.store_path) as store:
            store._database.write(
                "UPDATE runs SET finished_utc = NULL, verdict = NULL, outcome = NULL WHERE id = ?",
                (run,),
            )

    def runs(self) -> list[RunRecord]:
        """The oldest first."""
        with Store.open(self.store_path) as store:
            return [store.run(summary.id) for summary in reversed(store.runs())]

    def counter(self, axis: str) -> float:
        with self.simulated.present():
            return self.simulated.axes[axis].counter


class _Dead:
    """The moment of death, and what it leaves."""

    def __init__(self, clock: VirtualClock, store: Path, after_s: float) -> None:
        self._clock = clock
        self._store = store
        self._after_s = after_s
        self._dies_s: float | None = None
        self.left: dict[str, bytes] = {}

    def motion_begins(self, _axis: SimulatedAxis) -> None:
        if self._dies_s is None:
            self._dies_s = self._clock.now() + self._after_s

    def time_passes(self, now_s: float) -> None:
        if self._dies_s is None or now_s < self._dies_s or self.left:
            return
        files = self._store.parent.glob("runs.sqlite*")
        self.left = {
            file.name: file.read_bytes() for file in files if not file.name.endswith("-shm")
        }
        raise Killed

    def lines_of(self, connect: Connect) -> Connect:
        dead = self

        class Line:
            def __init__(self, inner: Transport) -> None:
                self._inner = inner

            def write(self, message: bytes) -> None:
                dead.check()
                self._inner.write(message)

            def read_until(self, terminator: bytes, deadline: float) -> bytes:
                dead.check()
                return self._inner.read_until(terminator, deadline)

            def discard_input(self) -> int:
                dead.check()
                return self._inner.discard_input()

            def close(self) -> None:
                self._inner.close()

        return lambda address, line: Line(connect(address, line))

    def check(self) -> None:
        if self.left:
            raise Killed


@pytest.fixture
def laboratory(tmp_path: Path) -> Laboratory:
    return Laboratory(load(shipped("peat-bog")), tmp_path)


def mute_about_references(tmp_path: Path) -> BenchDescription:
    """The same bench, its controller's dialect mute about references."""
    configs = shipped("peat-bog").parent
    dialect = (configs / "plain-motion.yaml").read_text("utf-8")
    shorter, count = re.subn(r"^  referenced:.*\n", "", dialect, flags=re.M)
    assert count == 1
    folder = tmp_path / "bench"
    folder.mkdir()
    (folder / "plain-motion.yaml").write_text(shorter, "utf-8")
    (folder / "bench.yaml").write_text(shipped("peat-bog").read_text("utf-8"), "utf-8")
    return load(folder / "bench.yaml")


@pytest.fixture
def without_reference(tmp_path: Path) -> Laboratory:
    """A bench whose controller does not tell whether it has its reference."""
    return Laboratory(mute_about_references(tmp_path), tmp_path)
