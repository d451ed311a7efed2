"""Let a line fail at every call of a whole change, and look at what becomes of the change.

    python -m tests.faults.every_call run 38
    python -m tests.faults.every_call run 38 --whole --every 40
    python -m tests.faults.every_call report 38

A change is made once, on the virtual clock, and what it asked of the bench is written down:
settings gone to, readings taken, positions asked for. Then that is asked again, and at each message
to an instrument and each wait for its answer the process is forked: in the child the line fails
there, once, and the rest follows. So each call is struck, none is sampled, and what came before it
is computed once. Since only the light that is read decides where a change goes, each reading in the
child is held against the light that was there; with ``--whole`` the child computes and decides anew
instead, which takes ten times as long and is for a part of the calls.

Results go into ``build/``, a line for each child as it ends; started again, it goes on where it
was.
"""

from __future__ import annotations

import os

from autocell_simulators.rehearsal.threads import ONE_THREAD

os.environ.update(ONE_THREAD)

import argparse
import json
import signal
import sys
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from autocell.outcome import Outcome, Verdict
from tests.faults.played_change import Script, World, read_once

AT_A_MESSAGE = ("lost message", "lost reply", "garbled reply", "error", "gone before")
AT_A_WAIT = ("gone before the answer",)
_LONGEST_AWAY_S = 120.0
"""How much longer a change may take when a line fails once: lines are waited for a minute."""
_LONGEST_CPU_S = 60.0


@dataclass
class Forks:
    """Forks at each call, once for each way to fail that is not done yet."""

    keep: Callable[[dict[str, Any]], None]
    done: set[tuple[int, str]]
    every: int = 1
    kinds: frozenset[str] = frozenset((*AT_A_MESSAGE, *AT_A_WAIT))
    calls: Counter[str] = field(default_factory=Counter)
    struck: dict[str, Any] | None = None
    pipe: int = -1

    def __call__(self, world: World, device: str, what: str, message: bytes) -> None:
        if self.struck is not None:
            return
        self.calls[what] += 1
        number = self.calls.total()
        for place, kind in enumerate(AT_A_MESSAGE if what == "message" else AT_A_WAIT):
            chosen = kind in self.kinds and (number // 2 + place) % self.every == 0
            if chosen and (number, kind) not in self.done:
                self._fork(world, number, kind, device, message)
                if self.struck is not None:
                    return

    def _fork(self, world: World, number: int, kind: str, device: str, message: bytes) -> None:
        ours, theirs = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(ours)
            self.pipe = theirs
            self.struck = {
                "call": number, "kind": kind, "device": device, "said": message.decode("latin-1"),
                "at_s": world.clock.now(),
            }  # fmt: skip
            signal.signal(signal.SIGPROF, _hangs)
            signal.setitimer(signal.ITIMER_PROF, _LONGEST_CPU_S)
            world.arm(device, kind, message, seed=number)
            return
        os.close(theirs)
        with os.fdopen(ours, encoding="utf-8") as pipe:
            told = pipe.read()
        os.waitpid(child, 0)
        dead = {"call": number, "kind": kind, "device": device, "wrong": ["its process died"]}
        self.keep(json.loads(told) if told else dead)

    def end(self, told: dict[str, Any]) -> None:
        """The end of a child; it never returns."""
        assert self.struck is not None
        with os.fdopen(self.pipe, "w", encoding="utf-8") as out:
            out.write(json.dumps({**self.struck, **told}))
        os._exit(0)


def _hangs(_number: int, _frame: object) -> None:
    raise TimeoutError("still computing: it hangs")


def strike_everywhere(script: Script, world: World, forks: Forks, *, whole: bool) -> Outcome:
    """Make the change of ``script`` again, or a whole one, with every call of it struck."""
    if whole:
        outcome = _ended(world, forks)
    else:
        with script.played():
            outcome = _ended(world, forks)
    return outcome


def _ended(world: World, forks: Forks) -> Outcome:
    """The outcome of the parent; children tell what is wrong with theirs, and are gone."""
    try:
        outcome = world.run()
        if forks.struck is not None:
            forks.end(_told(world, outcome))
    except Exception:
        if forks.struck is None:
            raise
        forks.end({"wrong": [traceback.format_exc()]})
    return outcome


def _told(world: World, outcome: Outcome) -> dict[str, Any]:
    """What a child came to, and what of it is not as it should be."""
    return {
        "verdict": outcome.verdict.value,
        "reason": outcome.reason,
        "elapsed_s": world.clock.now(),
        "wrong": list(_wrong(world, outcome)),
    }


def _wrong(world: World, outcome: Outcome) -> Iterator[str]:
    simulated = world.simulated
    positions, axes = simulated.true_positions(), simulated.axes.values()
    violations = sum(axis.counts.limit_violations for axis in axes)
    moves = sum(axis.counts.moves for axis in axes)
    if violations:
        yield f"{violations} limit violations"
    if simulated.smallest_gap_m < simulated.description.minimum_gap_m:
        yield f"the mirrors came as near as {simulated.smallest_gap_m} m"
    if any(axis.in_motion for axis in axes):
        yield "an axis still moves"
    if not simulated.shutter.on and outcome.verdict is Verdict.REACHED:
        yield "the shutter is closed"
    if moves > len(world.journal.moves):
        yield f"{moves} moves were made, {len(world.journal.moves)} written down"
    yield from world.untrue
    match outcome.verdict:
        case Verdict.REACHED:
            passes = int(simulated.optics.exit(positions).passes)
            if passes != world.passes:
                yield f"claims {world.passes} passes, and there are {passes}"
        case Verdict.HELD | Verdict.FAILED:
            if not outcome.reason:
                yield "no reason"
        case other:
            yield f"ended {other}"


class Results:
    """A line of JSON for each child."""

    def __init__(self, path: Path) -> None:
        self.path = path
        path.parent.mkdir(parents=True, exist_ok=True)
        lines = path.read_text("utf-8").splitlines() if path.exists() else []
        self.all: list[dict[str, Any]] = [json.loads(line) for line in lines]

    def keep(self, result: dict[str, Any]) -> None:
        """Append one."""
        self.all.append(result)
        with self.path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(result) + "\n")

    @property
    def done(self) -> set[tuple[int, str]]:
        """The calls and the ways in which they have failed already."""
        return {(result["call"], result["kind"]) for result in self.all}


def enumerate_calls(
    passes: int,
    seed: int,
    results: Results,
    *,
    kinds: frozenset[str],
    every: int = 1,
    whole: bool = False,
) -> tuple[Counter[str], float]:
    """Strike every so many calls; how many there are of each kind, and how long a change takes
    when nothing fails (s, bench time)."""
    with read_once():
        script = Script()
        undisturbed = World(passes, seed, _nobody)
        with script.written():
            first = undisturbed.run()
        assert first.verdict is Verdict.REACHED, first.reason
        assert not list(_wrong(undisturbed, first))
        forks = Forks(results.keep, results.done, every, kinds)
        again = World(passes, seed, forks)
        strike_everywhere(script, again, forks, whole=whole)
        assert again.readings == undisturbed.readings
        assert again.clock.now() == undisturbed.clock.now()
        return forks.calls, undisturbed.clock.now()


def _nobody(_world: World, _device: str, _what: str, _message: bytes) -> None:
    """No line fails."""


def summary(results: Results, undisturbed_s: float | None = None) -> dict[str, Any]:
    """Counts of all there is; what is wrong, first."""
    late = [] if undisturbed_s is None else [
        r for r in results.all if r.get("elapsed_s", 0.0) > undisturbed_s + _LONGEST_AWAY_S
    ]  # fmt: skip
    wrong = [result for result in results.all if result["wrong"]] + late
    ends = Counter((r["kind"], r["device"], r.get("verdict", "none")) for r in results.all)
    reasons = Counter(
        (r["kind"], r["reason"]) for r in results.all if r.get("verdict") not in (None, "reached")
    )
    return {
        "runs": len(results.all),
        "wrong": len(wrong),
        "examples": wrong[:5],
        "ends": {", ".join(key): count for key, count in sorted(ends.items())},
        "reasons": {": ".join(key): count for key, count in reasons.most_common()},
    }


def main(arguments: list[str]) -> int:
    """Print what came of it; 1 when anything is not as it should be."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("do", choices=("run", "report"))
    parser.add_argument("passes", type=int)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument(
        "--every", type=int, default=1, help="Only every so many calls, each in its turn of kind."
    )
    parser.add_argument("--kinds", nargs="+", default=[*AT_A_MESSAGE, *AT_A_WAIT], metavar="KIND")
    parser.add_argument("--whole", action="store_true", help="Compute and decide anew each time.")
    parser.add_argument("--folder", type=Path, default=Path("build"))
    given = parser.parse_args(arguments)
    kind = "whole" if given.whole else "played"
    name = f"every-call-{given.passes}-{given.seed}-{kind}.jsonl"
    results = Results(given.folder / name)
    if given.do == "report":
        told = summary(results)
    else:
        calls, elapsed_s = enumerate_calls(
            given.passes,
            given.seed,
            results,
            kinds=frozenset(given.kinds),
            every=given.every,
            whole=given.whole,
        )
        told = {"calls": calls, "bench_time_s": elapsed_s, **summary(results, elapsed_s)}
    print(json.dumps(told, indent=2, ensure_ascii=False))
    return int(bool(told["wrong"]))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
