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
import functools
import json
import signal
import sys
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from autocell_drivers.dialect import load_dialect
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector
from autocell_simulators.rehearsal.every_fault import named_by_serial_number

from autocell.bench import opening
from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.bench.protocols import Connect, Line, Transport
from autocell.errors import AutocellError
from autocell.outcome import Outcome, Verdict
from autocell.procedures import change
from autocell.procedures.change import change_passes
from autocell.reading import Reading
from autocell.session.conduct import outcome_of
from tests.bench.conftest import MemoryJournal

AT_A_MESSAGE = ("lost message", "lost reply", "garbled reply", "error", "gone before")
AT_A_WAIT = ("gone before the answer",)
_AWAY_S = 2.0
_LONGEST_AWAY_S = 120.0
"""How much longer a change may take when a line fails once: lines are waited for a minute."""
_LONGEST_CPU_S = 60.0
_SIGMA = 6.0
_OF_THE_BENCH = ("move_to", "move_axes", "read_power", "measure_dark", "positions", "plan")

Ask = tuple[str, tuple[Any, ...], dict[str, Any]]
Strike = Callable[[bytes], list[tuple[float, bytes]]]


class _Asked:
    """A bench that writes down what is asked of it."""

    def __init__(self, bench: Bench, asked: list[Ask]) -> None:
        self._bench, self._asked = bench, asked

    @property
    def setting(self) -> Any:
        self._asked.append(("setting", (), {}))
        return self._bench.setting

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._bench, name)
        if name not in _OF_THE_BENCH:
            return found

        def ask(*arguments: Any, **options: Any) -> Any:
            self._asked.append((name, arguments, options))
            return found(*arguments, **options)

        return ask


@dataclass
class Script:
    """What a change asked, and what came of it."""

    asked: list[Ask] = field(default_factory=list)
    outcome: Outcome | None = None

    @contextmanager
    def written(self) -> Iterator[None]:
        """Within this a change is made as always, and written down."""
        reach = change._reach

        def watched(tuning: Any, pattern: Any) -> Outcome:
            tuning.bench = _Asked(tuning.bench, self.asked)
            self.outcome = reach(tuning, pattern)
            return self.outcome

        with mock.patch.object(change, "_reach", watched):
            yield

    @contextmanager
    def played(self) -> Iterator[None]:
        """Within this a change asks the same again, and comes to the same if nothing hinders it."""

        def again(tuning: Any, _pattern: Any) -> Outcome:
            for name, arguments, options in self.asked:
                found = getattr(tuning.bench, name)
                if name != "setting":
                    found(*arguments, **options)
            assert self.outcome is not None
            return self.outcome

        with mock.patch.object(change, "_reach", again):
            yield


class World:
    """A bench, simulated, and one change on it; ``at`` is told of each call on its lines."""

    def __init__(
        self, passes: int, seed: int, at: Callable[[World, str, str, bytes], None]
    ) -> None:
        self.passes, self._at = passes, at
        self.clock = VirtualClock()
        self.journal = MemoryJournal()
        self.simulated = SimulatedBench(
            named_by_serial_number(load(shipped("peat-bog"))), seed, self.clock, scenario=Scenario()
        )
        self.untrue: list[str] = []
        self.readings = 0

    def run(self) -> Outcome:
        """Make the change; whatever is not foreseen is raised."""
        description = self.simulated.description
        try:
            with open_bench(
                description, clock=self.clock, connect=self._connect(), journal=self.journal
            ) as bench:
                self._hold_against_the_truth(bench)
                return change_passes(bench, self.passes)
        except AutocellError as error:
            return outcome_of(error)

    def _hold_against_the_truth(self, bench: Bench) -> None:
        read = bench.read_power

        def held(*arguments: Any, **options: Any) -> Reading:
            reading = read(*arguments, **options)
            with self.simulated.present():
                light_w = self.simulated.rig.whole.light_w()
            self.readings += 1
            if abs(reading.power_w - light_w) > _SIGMA * reading.uncertainty_w:
                self.untrue.append(f"read {reading.power_w:.6g} W, there was {light_w:.6g} W")
            return reading

        bench.read_power = held  # type: ignore[method-assign]

    def _connect(self) -> Connect:
        connect = connector(self.simulated)
        names = {address: name for name, address in self.simulated.addresses.items()}

        def opened(address: str, line: Line) -> Transport:
            return _Told(
                connect(address, line),
                lambda what, data: self._at(self, names[address], what, data),
            )

        return opened

    def arm(self, device: str, kind: str, message: bytes, seed: int) -> None:
        """Have the line fail now."""
        wire = self.simulated.rig.wires[device]
        random = np.random.default_rng(seed)
        if kind.startswith("gone"):
            self.simulated.begin({"fault": "disconnected", "device": device, "for_s": _AWAY_S})
        elif kind == "lost message":
            wire.arm("message", lambda _message: [])
        elif kind == "lost reply":
            wire.arm("query", lambda _reply: [])
        elif kind == "garbled reply":
            wire.arm("query", lambda reply: [(0.0, _garbled(reply, random))])
        elif device == "motion":
            axis = message.split()[0] if message[:1].isdigit() else b"0"
            wire.arm("query", lambda _reply: [(0.0, axis + b" ER 6 FAULT\r\n")])
        elif message.startswith(b"READ"):
            wire.arm("query", lambda _reply: [(0.0, b"9.9E37\n")])
        else:  # such an instrument says nothing, and has something to say when asked for its errors
            wire.arm("message", lambda message: [(0.0, b"NO:SUCH:THING\n")])


class _Told:
    """A line that tells of each message and of each wait."""

    def __init__(self, inner: Transport, at: Callable[[str, bytes], None]) -> None:
        self._inner, self._at = inner, at

    def write(self, message: bytes) -> None:
        self._at("message", message)
        self._inner.write(message)

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        self._at("wait", b"")
        return self._inner.read_until(terminator, deadline)

    def discard_input(self) -> int:
        return self._inner.discard_input()

    def close(self) -> None:
        self._inner.close()


def _garbled(reply: bytes, random: np.random.Generator) -> bytes:
    """One bit is flipped, anywhere but in the ending."""
    place = int(random.integers(8 * max(len(reply.rstrip(b"\r\n")), 1)))
    garbled = bytearray(reply)
    garbled[place // 8] ^= 1 << (place % 8)
    return bytes(garbled)


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


@contextmanager
def _read_once() -> Iterator[None]:
    """What every start reads anew, the same each time: the entry points and the dialect file."""
    with (
        mock.patch("autocell.bench.opening.installed", functools.cache(opening.installed)),
        mock.patch("autocell_drivers.ascii_motion.load_dialect", functools.cache(load_dialect)),
    ):
        yield


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
    with _read_once():
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
