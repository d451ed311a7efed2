"""Carry out what is missing, bench by bench, and write it down as it comes."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from functools import partial
from typing import Any

from autocell_simulators.optics import TrueOptics
from autocell_simulators.rehearsal.one import bench_seed
from autocell_simulators.truth import draw_truth

from autocell.report import words
from benchmarks.optimisers.own import OWN, rehearse
from benchmarks.optimisers.plan import Contest, Entry, run
from benchmarks.optimisers.results import ResultsFile, Run

_ASKED = 20


def header(contest: Contest) -> dict[str, Any]:
    """What a results file is of. The benches are known by what they do, so that a comment in the
    bench file does not make them others: power and passes of the first ones at both starts."""
    seen = []
    for index in range(_ASKED):
        truth = draw_truth(contest.description, bench_seed(contest.seed, index))
        optics = TrueOptics(contest.description, truth)
        for box in contest.boxes.values():
            positions = dict(zip(contest.description.axes, box.start.tolist(), strict=True))
            exits = optics.exit(positions)
            seen.append((int(exits.passes), f"{float(exits.power):.6f}"))
    digest = hashlib.sha256(json.dumps(seen).encode()).hexdigest()
    return {
        "comparison": contest.description.name,
        "passes": contest.passes,
        "seed": contest.seed,
        "readings": contest.readings,
        "benches_sha256": digest,
    }


def carry_out(
    contest: Contest, wanted: list[Entry], benches: int, file: ResultsFile, workers: int = 1
) -> None:
    """Make every run of ``wanted`` on benches 0 to ``benches`` − 1 that ``file`` lacks."""
    missing = [
        (index, entries)
        for index in range(benches)
        if (entries := [entry for entry in wanted if _key(entry, index) not in file.runs])
    ]
    began_s = time.monotonic()
    for count, runs in enumerate(_results(contest, missing, workers), start=1):
        file.add(runs)
        left_s = (len(missing) - count) * (time.monotonic() - began_s) / count
        print(
            f"{benches - len(missing) + count} of {benches} benches, {words.duration(left_s)} left",
            file=sys.stderr,
            flush=True,
        )


def on_bench(contest: Contest, index: int, wanted: list[Entry]) -> list[Run]:
    """All that is wanted of one bench."""
    return [
        rehearse(contest, index) if entry == OWN else run(contest, entry, index) for entry in wanted
    ]


def _results(
    contest: Contest, missing: list[tuple[int, list[Entry]]], workers: int
) -> Iterator[list[Run]]:
    work = partial(on_bench, contest)
    if workers == 1:
        yield from (work(*task) for task in missing)
        return
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=spawn) as pool:
        for future in as_completed([pool.submit(work, *task) for task in missing]):
            yield future.result()


def _key(entry: Entry, index: int) -> tuple[str, str, str, int]:
    return entry.method, entry.objective, entry.start, index
