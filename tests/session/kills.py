"""Kill a run at every statement of its journal and at every call on its lines, and look at what
the next start makes of each.

    python -m tests.session.kills short
    python -m tests.session.kills change 62
    python -m tests.session.kills recover 62

The run is made once, on the virtual clock. At each point the process is forked: the child is the
world after the kill, with the simulated bench as it was at that moment (its axes still moving) and
the bytes of the store as they were on disk. It starts anew on them, checks, and reports. So each
point is made, none is sampled. Prints one JSON object.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sqlite3
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from autocell.records import Store
from tests.faults.played_change import read_once
from tests.session.worlds import LOOK, SHORT, Job, World, changing, nobody

_MEMORY = Path("/dev/shm")
"""What is on disk is what SQLite wrote, on any disk; there it costs no wear and little time."""

_FAR = 4e-4

Chosen = Callable[["Killer"], bool]


def _every_point(_killer: Killer) -> bool:
    return True


def far_away(killer: Killer) -> bool:
    """Once: when an axis is on its way and has left its start by a good part of a millimetre or of
    a milliradian."""
    world = killer.world
    gone = {name: abs(place - world.start[name]) for name, place in world.counters().items()}
    moving = (name for name, axis in world.simulated.axes.items() if axis.in_motion)
    return not killer.results and any(gone[name] > _FAR for name in moving)


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
    ended: str = ""
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
            world.run(LOOK, nobody)
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


def _kind(told: list[str]) -> str:
    line = " ".join(told)
    for word in ("undone", "held", "nothing to undo"):
        if word in line:
            return word
    return "nothing said"


def _wrong(world: World, moves_before: int, *, power_too: bool) -> Iterator[str]:
    """What is not as it should be after the new start."""
    story, simulated = _kind(world.told), world.simulated
    violations = sum(axis.counts.limit_violations for axis in simulated.axes.values())
    if violations:
        yield f"{violations} limit violations"
    if simulated.smallest_gap_m < simulated.description.minimum_gap_m:
        yield f"the mirrors came as near as {simulated.smallest_gap_m}"
    if any(axis.in_motion for axis in simulated.axes.values()):
        yield "an axis still moves"
    connection = sqlite3.connect(world.store)
    checked = connection.execute("PRAGMA integrity_check").fetchone()[0]
    connection.close()
    if checked != "ok":
        yield f"the store is damaged: {checked}"
    with Store.open(world.store) as store:
        runs = [store.run(run.id) for run in reversed(store.runs())]
    begun, last = runs[world.runs_before :], runs[-1]
    killed = begun[0]
    intended = sum(len(run.moves) for run in runs[:-1])
    if moves_before > intended:
        yield f"{moves_before} moves were made and {intended} written down"
    if last.outcome is None:
        yield "the new run did not say how it ended"
    if story == "undone" and _apart(world, world.start):
        yield f"said undone, but {_apart(world, world.start)}"
    if story == "nothing to undo" and world.moves_made() > world.moves_before:
        yield "said that nothing had moved"
    if story == "nothing said" and len(begun) > 1 and killed.outcome is None:
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


Prepare = Callable[[World], Job]
"""Bring a world to where a run begins, and say which run it is."""


def enumerate_kills(
    prepare: Prepare,
    *,
    power_too: Sequence[bool] = (False,),
    only: Chosen = _every_point,
    within: Callable[[World, Killer], None] | None = None,
    only_again: Chosen = _every_point,
    seed: int = 5,
    bench: str = "peat-bog",
    step_readings: int | None = None,
) -> list[Killer]:
    """Make the run once, killed at every point that ``only`` chooses: once for each ``power_too``,
    which says whether the controllers are switched off and on as well."""
    with (
        read_once(),
        tempfile.TemporaryDirectory(dir=_MEMORY if _MEMORY.is_dir() else None) as folder,
    ):
        # so that no child has to import and compile anew
        World(seed, Path(folder) / "warm" / "runs.sqlite", bench).run(LOOK, nobody)
        world = World(seed, Path(folder) / "runs.sqlite", bench, step_readings)
        job = prepare(world)
        killers = [
            Killer(world, Path(folder), power, only, within, only_again) for power in power_too
        ]

        def at(what: str) -> None:
            for killer in killers:
                killer(what)

        ended = world.run(job, at)
        if ended.error is not None:
            raise ended.error
        for killer in killers:
            killer.ended = f"{ended.outcome.verdict}: {ended.outcome.reason}"
        return killers


def killed_while_undoing(world: World, killer: Killer) -> None:
    """The new start is itself killed, at every point, and then there is another."""
    world.run(LOOK, killer)


def _summary(killer: Killer) -> dict[str, Any]:
    wrong = [result for result in killer.results if result["wrong"]]
    stories = Counter(result.get("story", "none") for result in killer.results)
    return {
        "run": killer.ended,
        "points": killer.points,
        "kills": len(killer.results),
        "at": Counter(result["at"] for result in killer.results),
        "stories": stories,
        "wrong": len(wrong),
        "examples": wrong[:5],
    }


def _prepared(run: str, passes: int) -> Prepare:
    if run == "recover":
        return lambda world: world.knocked_night(passes)
    return lambda _world: SHORT if run == "short" else changing(passes)


def main(arguments: list[str]) -> int:
    """Print what came of it; 1 when anything is not as it should be."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("run", choices=("short", "change", "recover"))
    parser.add_argument("passes", type=int, nargs="?", default=62)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--bench", default="peat-bog", help="A bench file that comes along.")
    parser.add_argument("--step-readings", type=int, help="What a step of a recovery may use.")
    parser.add_argument("--every", type=int, default=1, help="Only every so many points.")
    parser.add_argument("--again", action="store_true", help="Kill in a move, and the start too.")
    given = parser.parse_args(arguments)

    def chosen(killer: Killer) -> bool:
        return killer.points % given.every == 0

    kinds = {"killed twice": False} if given.again else {"killed": False, "power failed": True}
    killers = enumerate_kills(
        _prepared(given.run, given.passes),
        power_too=tuple(kinds.values()),
        only=far_away if given.again else chosen,
        within=killed_while_undoing if given.again else None,
        only_again=chosen,
        seed=given.seed,
        bench=given.bench,
        step_readings=given.step_readings,
    )
    told = {kind: _summary(killer) for kind, killer in zip(kinds, killers, strict=True)}
    print(json.dumps(told, indent=2))
    return int(any(summary["wrong"] for summary in told.values()))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
