"""How much longer a change takes when one reply in a hundred is late, lost or broken.

    python -m tests.faults.reply_faults 38 --benches 20 --times 5 --luck 3

On each bench a change is made once on the virtual clock, and what it asked of the bench is asked
again under each reply fault at its usual rate, so many ``times`` with other draws: the same moves
and readings, so that what it takes longer is what the line costs. ``--luck`` says what that is to
be held against: the change is made anew without any fault, after a reading more, so that it has
other noise and perhaps looks elsewhere. Both are given as ratios of bench time.
"""

from __future__ import annotations

import os

from autocell_simulators.rehearsal.threads import ONE_THREAD

os.environ.update(ONE_THREAD)

import argparse
import dataclasses
import statistics
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from autocell_simulators.faults.alone import alone
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.rehearsal.one import bench_seed

from autocell.outcome import Verdict
from tests.faults.played_change import Script, World, read_once

REPLY_FAULTS = (
    "late-reply", "lost-reply", "duplicated-reply", "truncated-reply", "garbled-reply",
    "lost-command", "garbled-command",
)  # fmt: skip
LUCK = "no fault, other noise"


@dataclass
class Row:
    """What came of the changes under one fault."""

    ratios: list[float] = field(default_factory=list)
    struck: int = 0
    ended: Counter[str] = field(default_factory=Counter)
    reasons: list[str] = field(default_factory=list)
    untrue: list[str] = field(default_factory=list)

    def add(self, world: World, verdict: Verdict, reason: str, undisturbed_s: float) -> None:
        """Count one change."""
        self.ended[verdict.value] += 1
        events = world.simulated.events
        self.struck += sum(event.what == "begins" for event in events)
        self.untrue += world.untrue
        if verdict is Verdict.REACHED:
            self.ratios.append(world.took_s / undisturbed_s)
        else:
            self.reasons.append(reason)


def measure(
    passes: int, benches: int, times: int, luck: int, seed: int, faults: Sequence[str]
) -> dict[str, Row]:
    """The rows by the names of the faults. Of each bench the undisturbed change must reach."""
    rows = {name: Row() for name in [*faults, *([LUCK] if luck else [])]}
    with read_once():
        for index in range(benches):
            bench = bench_seed(seed, index)
            script, undisturbed = Script(), World(passes, bench, _nobody)
            with script.written():
                first = undisturbed.run()
            assert first.verdict is Verdict.REACHED, first.reason
            for name in faults:
                usual = alone(name, undisturbed.simulated.description, None)
                for draw in range(times):
                    world = World(passes, bench, _nobody, _drawn(usual, draw))
                    with script.played():
                        outcome = world.run()
                    rows[name].add(world, outcome.verdict, outcome.reason, undisturbed.took_s)
            for more in range(1, luck + 1):
                world = World(passes, bench, _nobody, more=more)
                outcome = world.run()
                rows[LUCK].add(world, outcome.verdict, outcome.reason, undisturbed.took_s)
    return rows


def _drawn(scenario: Scenario, draw: int) -> Scenario:
    return dataclasses.replace(scenario, seed=draw)


def _nobody(_world: World, _device: str, _what: str, _message: bytes) -> None:
    """Lines fail by the scenario alone."""


def main(arguments: list[str]) -> int:
    """Print a table, and why those failed that did; 1 if a reading was not what was there."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("passes", type=int)
    parser.add_argument("--benches", type=int, default=20)
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--luck", type=int, default=0)
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--faults", nargs="+", default=list(REPLY_FAULTS))
    given = parser.parse_args(arguments)
    rows = measure(given.passes, given.benches, given.times, given.luck, given.seed, given.faults)
    print("| Fault | Changes | Struck | Reached | Time, median | largest |")
    print("|---|---|---|---|---|---|")
    for name, row in rows.items():
        ratios = row.ratios or [float("nan")]
        cells = (
            name, row.ended.total(), row.struck, row.ended["reached"],
            f"{statistics.median(ratios):.2f}", f"{max(ratios):.2f}",
        )  # fmt: skip
        print(f"| {' | '.join(map(str, cells))} |")
    for name, row in rows.items():
        for reason, count in Counter(row.reasons).items():
            print(f"{name}, {count}: {reason}")
    return int(any(row.untrue for row in rows.values()))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
