"""Kill a run at every statement of its journal and at every call on its lines, and look at what
the next start makes of each.

    python -m tests.session.kills short
    python -m tests.session.kills change 62

The run is made once, on the virtual clock. At each point the process is forked: the child is the
world after the kill, with the simulated bench as it was at that moment (its axes still moving) and
the bytes of the store as they were on disk. It starts anew on them, checks, and reports. So each
point is made, none is sampled. Prints one JSON object.
"""

from __future__ import annotations

import argparse
import functools
import json
import os
import shutil
import sqlite3
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

from autocell_drivers.dialect import load_dialect
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector

from autocell.bench import opening
from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.protocols import Clock, Connect, Line, Transport
from autocell.outcome import Outcome, Verdict
from autocell.procedures.change import change_passes
from autocell.records import Store
from autocell.session.conduct import Ended, Lines, Order, conduct

_WRITES = ("BEGIN", "INSERT", "UPDATE", "COMMIT", "CREATE", "PRAGMA user_version =")
_MEMORY = Path("/dev/shm")
"""What is on disk is what SQLite wrote, on any disk; there it costs no wear and little time."""

At = Callable[[str], None]


def excursion(bench: Bench) -> Outcome:
    """Two axes away from the start and a reading there: all kinds of calls, in a short run."""
    bench.measure_dark()
    bench.read_power("the start")
    start = bench.positions()
    away = {"spacing": start["spacing"] - 4e-3, "yaw": start["yaw"] + 1e-3}
    bench.move_axes(away, "away")
    bench.read_power("away", max_samples=3)
    bench.return_home()
    return Outcome(Verdict.UNCHANGED, "there and back", setting=bench.setting)


def only_read(bench: Bench) -> Outcome:
    """What the run after the kill was asked to do: nothing that moves."""
    bench.read_power("after the kill", max_samples=3)
    return Outcome(Verdict.UNCHANGED, "read", setting=bench.setting)


@dataclass
class World:
    """A simulated bench and a store, as they are on disk and on the table."""

    seed: int
    store: Path
    clock: VirtualClock = field(default_factory=VirtualClock)

    def __post_init__(self) -> None:
        self.simulated = SimulatedBench(load(shipped("peat-bog")), self.seed, self.clock)
        self.start = self.counters()

    def run(self, procedure: Callable[[Bench], Outcome], at: At, passes: int | None) -> Ended:
        """One recorded run; ``at`` is told of every call before it is made."""
        arguments = {} if passes is None else {"passes": passes}
        lines = Lines(clock=self._same_clock, connect=_watched(connector(self.simulated), at))
        told: list[str] = []
        order = Order(
            "change" if passes else "survey", self.simulated.description, self.store, arguments,
            page=False, tell=told.append, lines=lines,
        )  # fmt: skip
        with _watched_store(at):
            ended = conduct(order, procedure)
        self.told = told
        return ended

    def counters(self) -> dict[str, float]:
        """Where every axis reads at its controller."""
        with self.simulated.present():
            return {name: axis.counter for name, axis in self.simulated.axes.items()}

    def moves_made(self) -> int:
        """Moves that the controllers began, by their own count."""
        return sum(axis.counts.moves for axis in self.simulated.axes.values())

    def _same_clock(self) -> Clock:
        return self.clock


class _WatchedTransport:
    """A line that tells before each of its calls, and in the middle of each message."""

    def __init__(self, inner: Transport, at: At) -> None:
        self._inner, self._at = inner, at

    def write(self, message: bytes) -> None:
        self._at("write")
        half = len(message) // 2
        self._inner.write(message[:half])
        self._at("half a write")
        self._inner.write(message[half:])

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        self._at("read")
        return self._inner.read_until(terminator, deadline)

    def discard_input(self) -> int:
        self._at("discard")
        return self._inner.discard_input()

    def close(self) -> None:
        self._at("close")
        self._inner.close()


def _watched(connect: Connect, at: At) -> Connect:
    def opened(address: str, line: Line) -> Transport:
        at("open")
        return _WatchedTransport(connect(address, line), at)

    return opened


@contextmanager
def _watched_store(at: At) -> Iterator[None]:
    """SQLite itself tells of every statement before it is carried out."""
    connect = sqlite3.connect

    def opened(*arguments: Any, **options: Any) -> sqlite3.Connection:
        connection = connect(*arguments, **options)

        def tell(statement: str) -> None:
            if statement.lstrip().startswith(_WRITES):
                at(statement.split("(")[0].split("SET")[0].strip())

        connection.set_trace_callback(tell)
        return connection

    with mock.patch("autocell.records.database.sqlite3.connect", opened):
        yield


@contextmanager
def _read_once() -> Iterator[None]:
    """What every start reads anew, the same each time: the entry points and the dialect file."""
    with (
        mock.patch("autocell.bench.opening.installed", functools.cache(opening.installed)),
        mock.patch("autocell_drivers.ascii_motion.load_dialect", functools.cache(load_dialect)),
    ):
        yield


Chosen = Callable[["Killer"], bool]


def _every_point(_killer: Killer) -> bool:
    return True


def far_away(killer: Killer) -> bool:
    """Once: when the spacing is on its way and has left its start by a millimetre."""
    world = killer.world
    away = abs(world.counters()["spacing"] - world.start["spacing"]) > 1e-3
    return not killer.results and away and world.simulated.axes["spacing"].in_motion


@dataclass
class Killer:
    """Forks at every point; ``power_too`` switches the controllers off and on as well.

    ``only`` chooses points; without it every one is made.
    """

    world: World
    folder: Path
    power_too: bool = False
    only: Chosen = _every_point
    within: Callable[[World, Killer], None] | None = None
    only_again: Chosen = _every_point
    points: int = 0
    results: list[dict[str, Any]] = field(default_factory=list)

    def __call__(self, what: str) -> None:
        self.points += 1
        if not self.only(self):
            return
        copy = self.folder / f"{self.points}"
        copy.mkdir()
        for suffix in ("", "-wal"):
            file = Path(f"{self.world.store}{suffix}")
            if file.exists():
                shutil.copyfile(file, copy / f"runs.sqlite{suffix}")
        ours, theirs = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(ours)
            self._afterwards(copy, what, theirs)
        os.close(theirs)
        with os.fdopen(ours, encoding="utf-8") as pipe:
            told = pipe.read()
        os.waitpid(child, 0)
        shutil.rmtree(copy)
        self.results += json.loads(told) if told else [{"at": what, "wrong": ["it died"]}]

    def _afterwards(self, copy: Path, what: str, pipe: int) -> None:
        """The life of the child; it never returns."""
        try:
            results = self._start_again(copy, what)
        except BaseException:
            results = [{"at": what, "point": self.points, "wrong": [traceback.format_exc()]}]
        with os.fdopen(pipe, "w", encoding="utf-8") as out:
            out.write(json.dumps(results))
        os._exit(0)

    def _start_again(self, copy: Path, what: str) -> list[dict[str, Any]]:
        world = self.world
        moves_before = world.moves_made()
        world.store = copy / "runs.sqlite"
        for line in world.simulated.lines.values():
            line.hang_up()
        if self.power_too:
            with world.simulated.present():
                for axis in world.simulated.axes.values():
                    axis.power_cycle()
        elif self.points % 2:
            world.clock.sleep(30.0)  # what was sent has arrived, or runs still
        inner: list[dict[str, Any]] = []
        if self.within is None:
            world.run(only_read, _nobody, None)
        else:
            self.within(world, Killer(world, copy, only=self.only_again, results=inner))
        result = {
            "at": what,
            "point": self.points,
            "story": _kind(world.told),
            "line": "; ".join(world.told),
            "wrong": list(_wrong(world, moves_before, power_too=self.power_too)),
        }
        return [result, *inner]


def _nobody(_what: str) -> None:
    """Nobody kills this run."""


def _kind(told: list[str]) -> str:
    line = " ".join(told)
    for word in ("undone", "held", "nothing to undo"):
        if word in line:
            return word
    return "nothing said"


def _wrong(world: World, moves_before: int, *, power_too: bool) -> Iterator[str]:
    """What is not as it should be after the new start."""
    story, simulated = _kind(world.told), world.simulated
    report = simulated.truth_report()
    if report["limit_violations"]:
        yield f"{report['limit_violations']} limit violations"
    if report["smallest_gap_m"] < simulated.description.minimum_gap_m:
        yield f"the mirrors came as near as {report['smallest_gap_m']}"
    if any(axis.in_motion for axis in simulated.axes.values()):
        yield "an axis still moves"
    connection = sqlite3.connect(world.store)
    checked = connection.execute("PRAGMA integrity_check").fetchone()[0]
    connection.close()
    if checked != "ok":
        yield f"the store is damaged: {checked}"
    with Store.open(world.store) as store:
        runs = [store.run(run.id) for run in reversed(store.runs())]
    killed, last = runs[0], runs[-1]
    intended = sum(len(run.moves) for run in runs[:-1])
    if moves_before > intended:
        yield f"{moves_before} moves were made and {intended} written down"
    if last.outcome is None:
        yield "the new run did not say how it ended"
    if story == "undone" and _apart(world, world.start):
        yield f"said undone, but {_apart(world, world.start)}"
    if story == "nothing to undo" and world.moves_made():
        yield "said that nothing had moved"
    if story == "nothing said" and len(runs) > 1 and killed.outcome is None:
        yield "a run broke off and nothing was said"
    if story == "held" and world.moves_made() != moves_before:
        yield "said held, and moved"
    if (story == "held") != (killed.outcome is None):
        yield f"said {story}, and the killed run is {killed.outcome}"
    if power_too and story == "undone":
        yield "moved axes whose position was lost"


def _apart(world: World, start: Mapping[str, float]) -> list[str]:
    """Axes that do not read where they read before the killed run, beyond what they repeat."""
    found = []
    for name, counter in world.counters().items():
        axis = world.simulated.description.axes[name]
        if abs(counter - start[name]) > 5.0 * axis.repeatability:
            found.append(f"{name} reads {counter}, {start[name]} before")
    return found


def enumerate_kills(
    procedure: Callable[[Bench], Outcome],
    passes: int | None,
    *,
    power_too: bool = False,
    only: Chosen = _every_point,
    within: Callable[[World, Killer], None] | None = None,
    only_again: Chosen = _every_point,
    seed: int = 5,
) -> Killer:
    """Make the run once, killed at every point that ``only`` chooses."""
    with (
        _read_once(),
        tempfile.TemporaryDirectory(dir=_MEMORY if _MEMORY.is_dir() else None) as folder,
    ):
        # so that no child has to import and compile anew
        World(seed, Path(folder) / "warm" / "runs.sqlite").run(only_read, _nobody, None)
        world = World(seed, Path(folder) / "runs.sqlite")
        killer = Killer(world, Path(folder), power_too, only, within, only_again)
        ended = world.run(procedure, killer, passes)
        if ended.error is not None:
            raise ended.error
        return killer


def killed_while_undoing(world: World, killer: Killer) -> None:
    """The new start is itself killed, at every point, and then there is another."""
    world.run(only_read, killer, None)


def _summary(killer: Killer) -> dict[str, Any]:
    wrong = [result for result in killer.results if result["wrong"]]
    stories = Counter(result.get("story", "none") for result in killer.results)
    return {
        "points": killer.points,
        "kills": len(killer.results),
        "at": Counter(result["at"] for result in killer.results),
        "stories": stories,
        "wrong": len(wrong),
        "examples": wrong[:5],
    }


def main(arguments: list[str]) -> int:
    """Print what came of it; 1 when anything is not as it should be."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("run", choices=("short", "change"))
    parser.add_argument("passes", type=int, nargs="?", default=62)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--every", type=int, default=1, help="Only every so many points.")
    parser.add_argument("--again", action="store_true", help="Kill in a move, and the start too.")
    given = parser.parse_args(arguments)
    short = given.run == "short"
    procedure = excursion if short else (lambda bench: change_passes(bench, given.passes))
    passes = None if short else given.passes

    def chosen(killer: Killer) -> bool:
        return killer.points % given.every == 0

    told: dict[str, Any]
    if given.again:
        killer = enumerate_kills(
            procedure, passes, only=far_away,
            within=killed_while_undoing, only_again=chosen, seed=given.seed,
        )  # fmt: skip
        told = {"killed twice": _summary(killer)}
    else:
        told = {
            name: _summary(
                enumerate_kills(procedure, passes, power_too=power, only=chosen, seed=given.seed)
            )
            for name, power in (("killed", False), ("power failed", True))
        }
    print(json.dumps(told, indent=2))
    return int(any(summary["wrong"] for summary in told.values()))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
