"""More benches, more passes, more cores, memory; and one setting asked from Python."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial

import numpy as np
import pytest
from conftest import best_seconds
from multipass import PASSES, benches, one_bench

from autocell.optics.trace import exit_power, trace


def test_benches(results):
    counts = (1_000, 10_000, 100_000, 1_000_000)
    repeats = [max(1, 100_000 // count) for count in counts]
    asked = [
        partial(_again, repeat, partial(exit_power, *benches(count), PASSES))
        for repeat, count in zip(repeats, counts, strict=True)
    ]
    ns = [
        1e9 * best / (repeat * count * PASSES)
        for best, repeat, count in zip(best_seconds(asked, 6), repeats, counts, strict=True)
    ]
    for count, each in zip(counts, ns, strict=True):
        results.fact(
            f"{count} benches", f"{each:.2f} ns per pass-step", f"{each / min(ns):.2f} x the least"
        )


def _again(times: int, function: Callable[[], object]) -> None:
    for _ in range(times):
        function()


def test_passes(results):
    count, passes = 10_000, (15, 30, 60)
    batch = benches(count)
    asked = [partial(exit_power, *batch, n) for n in passes]
    ns = [1e9 * best / count for best in best_seconds(asked, 25)]
    slope, once = np.polyfit(passes, ns, 1)
    off = max(abs(each / (once + slope * n) - 1.0) for n, each in zip(passes, ns, strict=True))
    results.fact("15, 30, 60 passes", ", ".join(f"{each:.0f}" for each in ns) + " ns per bench")
    results.fact(
        "  a straight line", f"{once:.0f} + {slope:.2f} ns per pass", f"to {100 * off:.1f} %"
    )


def test_two_threads(results):
    batch = benches(200_000)
    one, two = (partial(exit_power, *batch, PASSES, threads=threads) for threads in (1, 2))
    alone, both = best_seconds([one, two], 8)
    cores, worked_by_two = [], []
    for _ in range(8):
        before = time.perf_counter()
        worked_by_two.append(_processor_seconds(two))
        cores.append(worked_by_two[-1] / (time.perf_counter() - before))
    worked_by_one = min(_processor_seconds(one) for _ in range(8))
    results.fact(
        "threads=2", f"{alone / both:.2f} times as fast", f"had {max(cores):.1f} cores to itself"
    )
    results.fact(
        "  processor time of both, beside one", f"{min(worked_by_two) / worked_by_one:.3f} times"
    )


def _processor_seconds(function: Callable[[], object]) -> float:
    """What one call keeps processors busy: the same however many others want them."""
    before = time.process_time()
    function()
    return time.process_time() - before


@pytest.mark.parametrize("ask", [exit_power, trace])
def test_one_setting(benchmark, results, ask):
    cell, beam = one_bench()
    ask(cell, beam, PASSES)
    benchmark.pedantic(lambda: ask(cell, beam, PASSES), rounds=500, warmup_rounds=5)
    results.fact(
        f"one setting, 60 passes, {ask.__name__}",
        f"{1e3 * benchmark.stats.stats.median:.3f} ms",
        "≤ 0.3 ms",
    )


_MEMORY = """
import re, sys
sys.path.insert(0, {here!r})
from multipass import PASSES, benches
from autocell.optics.trace import exit_power
exit_power(*benches(16), PASSES)
batch = benches(1_000_000)
def kilobytes(name):
    return int(re.search(name + r":\\s*(\\d+)", open("/proc/self/status").read())[1])
before = kilobytes("VmRSS")
exit_power(*batch, PASSES, threads={threads})
print((kilobytes("VmHWM") - before) / 1024)
"""


@pytest.mark.parametrize("threads", [1, 2])
def test_memory(results, threads):
    code = _MEMORY.format(here=sys.path[0], threads=threads)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    results.fact(
        f"peak memory, 1e6 benches, threads={threads}", f"{float(done.stdout):.0f} MB", "≤ 200 MB"
    )
