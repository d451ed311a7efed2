"""One machine, one run: every measurement ends up in a table of ratios at the end."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import pytest


@dataclass
class Results:
    """What was measured: pass-steps beside ours, and single facts with what was wanted of them."""

    compared: list[tuple[str, float, float]] = field(default_factory=list)
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
    """Measure a function, and ours once before each of its rounds, so that both see the same
    machine; the best round of each counts, since anything else that runs only slows."""

    def measure(
        name: str,
        function: Callable[[], object],
        steps: int,
        ours: Callable[[], object],
        our_steps: int,
        rounds: int = 15,
    ) -> None:
        our_seconds: list[float] = []

        def time_ours() -> None:
            our_seconds.append(seconds(ours))

        benchmark.pedantic(function, setup=time_ours, rounds=rounds, warmup_rounds=1)
        theirs_ns = 1e9 * benchmark.stats.stats.min / steps
        ours_ns = 1e9 * min(our_seconds) / our_steps
        benchmark.extra_info["ns per pass-step"] = theirs_ns
        results.compared.append((name, theirs_ns, ours_ns))

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
        write(
            f"\n{'time of one pass of one ray, one core':52s}{'ns':>12s}{'ours':>8s}{'ratio':>10s}"
        )
    for name, theirs, ours in sorted(_RESULTS.compared, key=lambda row: row[1] / row[2]):
        write(f"  {name:50s}{theirs:12.2f}{ours:8.2f}{theirs / ours:10.2f}")
    write("")
    for what, value, wanted in _RESULTS.facts:
        write(f"  {what:56s}{value:>28s}   {wanted}")
