"""How long choosing the next reading takes, on one core, in changes to 62 passes.

    python benchmarks/measure_choice.py
    python benchmarks/measure_choice.py --benches 20 --seed 3

Seconds that the processor is at it, so that other work on the machine counts little. Each choice
of whole changes is timed where it is made: where to read on the way to the plateau, where to look
for an edge, and where a rival would differ. What the bench waits for as well is beside it in
brackets: taking each reading in, and weighing the rivals, which the proof asks for and after which
one of them may be read against.
"""

from __future__ import annotations

import argparse
import os
import time
from collections import defaultdict
from collections.abc import Callable
from functools import wraps
from typing import Any

from autocell_simulators.rehearsal.threads import ONE_THREAD

os.environ.update(ONE_THREAD)

import numpy as np
from autocell_simulators.rehearsal.plan import Plan

from autocell.belief.population import Belief
from autocell.bench.file import load, shipped
from autocell.procedures import approach, edges, proving

WANTED_S = 0.2
_PASSES = 62
_BENCHES = ("peat-bog", "peat-bog-wide")

Times = dict[str, list[float]]


def watch(times: Times) -> None:
    """From now on note how long each choice takes."""

    def timed(owner: Any, name: str, what: str, *, more: bool = False) -> None:
        plain: Callable[..., Any] = getattr(owner, name)

        @wraps(plain)
        def noting(*args: Any, **kwargs: Any) -> Any:
            began_s = time.process_time()
            try:
                return plain(*args, **kwargs)
            finally:
                took_s = time.process_time() - began_s
                if more:  # a later part of the same choice
                    times[what][-1] += took_s
                else:
                    times[what].append(took_s)

        setattr(owner, name, noting)

    timed(approach, "_where", "where to read on the way")
    timed(approach, "_most_telling", "where to read on the way", more=True)
    timed(edges, "_where_to_look", "where to look for an edge")
    timed(proving, "weigh", "(rivals weighed)")
    timed(proving, "_where_they_differ", "where a rival differs")
    timed(Belief, "update", "(a reading taken in)")


def row(what: str, took_s: list[float]) -> str:
    """One line of the table, milliseconds."""
    median, p95, most = (1e3 * float(np.quantile(took_s, q)) for q in (0.5, 0.95, 1.0))
    return f"| {what} | {len(took_s)} | {median:.0f} | {p95:.0f} | {most:.0f} |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--benches", type=int, default=10)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    times: Times = defaultdict(list)
    watch(times)
    for name in _BENCHES:
        plan = Plan(load(shipped(name)), _PASSES, given.seed)
        plan.warm_up()
        times.clear()
        ended = [plan.rehearse(index).verdict.value for index in range(given.benches)]
        print(f"{name}, {given.benches} changes: {', '.join(sorted(set(ended)))}", flush=True)
        print(f"| Choice, wanted under {1e3 * WANTED_S:.0f} ms | Times | Median | 95 % | Most |")
        print("|---|---|---|---|---|")
        for what, took_s in times.items():
            print(row(what, took_s))


if __name__ == "__main__":
    main()
