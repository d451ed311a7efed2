"""``pytest --bench FILE`` in a checkout runs the suite on that bench, and nothing else of it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from autocell_drivers.conformance import suite
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.serving import serve

from autocell.bench.clock import RealClock
from autocell.bench.file import load, shipped

pytestmark = pytest.mark.thorough

ROOT = Path(__file__).parents[2]
SUITE = "tests/conformance/test_families.py"
TESTS = {name for name in vars(suite) if name.startswith("test_")}


def run(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    alone = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", SUITE, *arguments],
        cwd=ROOT,
        env=alone,
        capture_output=True,
        text=True,
        timeout=300.0,
        check=False,
    )


def test_whole_suite_is_collected_for_the_bench_that_is_named_and_for_no_other():
    path = shipped("peat-bog")
    collected = [line for line in run("--collect-only", "--bench", path).stdout.splitlines()
                 if line.startswith(SUITE)]  # fmt: skip
    assert {line.removeprefix(f"{SUITE}::").partition("[")[0] for line in collected} == TESTS
    assert all(f"[{path}" in line for line in collected)


def test_bench_that_is_named_is_tested_without_further_flags(tmp_path):
    bench = SimulatedBench(load(shipped("peat-bog")), 7, RealClock())
    with serve(bench) as served:
        path = served.write_bench_file(tmp_path / "bench.yaml")
        ended = run("--bench", path, "-k", "identity or small_move")
    assert ended.returncode == 0, ended.stdout
    assert "2 passed" in ended.stdout
    assert sum(axis.counts.moves for axis in bench.axes.values()) >= 4
