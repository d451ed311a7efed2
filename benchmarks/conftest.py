"""One machine, one run: every measurement ends up in a table of ratios at the end."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import pytest

os.environ.setdefault("NUMBA_NUM_THREADS", "1")  # what says nothing of threads is of one core

Run = Callable[[], object]


@dataclass(frozen=True)
class Compared:
    """Nanoseconds of one pass of one ray: of someone, of our whole model, and of our chief rays
    alone where that is what the other traces (NaN elsewhere)."""

    name: str
    theirs_ns: float
    whole_ns: float
    chief_ns: float


@dataclass
class Results:
    """What was measured: pass-steps beside ours, and single facts with what was wanted of them."""

    compared: list[Compared] = field(default_factory=list)
    facts: list[tuple[str, str, str]] = field(default_factory=list)

    def fact(self, what: str, value: str, wanted: str = "") -> None:
        """A line of the second table."""
        self.facts.append((what, value, wanted))


_RESULTS = Results()


@pytest.fixture(scope="session")
def results() -> Results:
    return _RESULTS


@pytest.fixture
def beside_ours(benchmark, results: Results) -> Callable[..., None]:
    """Measure a function, and ours once before each of its rounds, so that all see the same
    machine; the best round of each counts, since anything else that runs only slows."""

    def measure(
        name: str,
        function: Run,
        steps: int,
        whole: Run,
        chief: Run | None,
        our_steps: int,
        rounds: int = 15,
    ) -> None:
        ours = [whole] if chief is None else [whole, chief]
        best = [math.inf] * len(ours)

        def time_ours() -> None:
            best[:] = [min(was, seconds(run)) for was, run in zip(best, ours, strict=True)]

        benchmark.pedantic(function, setup=time_ours, rounds=rounds, warmup_rounds=1)
        theirs_ns = 1e9 * benchmark.stats.stats.min / steps
        benchmark.extra_info["ns per pass-step"] = theirs_ns
        ours_ns = [1e9 * value / our_steps for value in best] + [math.nan]
        results.compared.append(Compared(name, theirs_ns, ours_ns[0], ours_ns[1]))

    return measure


def seconds(function: Callable[[], object]) -> float:
    """How long one call takes."""
    start = time.perf_counter()
    function()
    return time.perf_counter() - start


def best_seconds(functions: Sequence[Callable[[], object]], rounds: int) -> list[float]:
    """The best of some rounds of each of some functions, taken in turns."""
    for function in functions:
        function()
    times = [[seconds(function) for function in functions] for _ in range(rounds)]
    return [min(column) for column in zip(*times, strict=True)]


def pytest_terminal_summary(terminalreporter) -> None:
    """The two tables."""
    write = terminalreporter.write_line
    if _RESULTS.compared:
        write("")
        write(f"{'one pass of one ray, one core':50s}{'':10s}{'our whole model':>18s}")
        write(f"{'':50s}{'ns':>10s}{'ns':>9s}{'ratio':>9s}{'same trace, ns':>17s}{'ratio':>9s}")
    for row in sorted(_RESULTS.compared, key=lambda row: row.theirs_ns / row.whole_ns):
        line = f"  {row.name:48s}{row.theirs_ns:10.2f}{row.whole_ns:9.2f}"
        line += f"{row.theirs_ns / row.whole_ns:9.2f}"
        if not math.isnan(row.chief_ns):
            line += f"{row.chief_ns:17.2f}{row.theirs_ns / row.chief_ns:9.1f}"
        write(line)
    write("")
    for what, value, wanted in _RESULTS.facts:
        write(f"  {what:56s}{value:>28s}   {wanted}")
