"""An experiment's own code changes the pass count as the command line does."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import autocell
from autocell.errors import Busy, NoSuchPattern
from autocell.procedures.progress import Progress
from autocell.records import Store
from tests.cli.conftest import CommandLine, Served


@pytest.mark.thorough
def test_a_change_from_python_is_proved_and_in_the_store(
    module_autocell: CommandLine, tmp_path: Path
) -> None:
    heard: list[Progress] = []
    store_path = tmp_path / "runs.sqlite"
    with (
        module_autocell.simulating("--seed", 5) as simulation,
        autocell.open_bench(simulation.bench_file, store=store_path) as bench,
    ):
        before = bench.read_power()
        outcome = autocell.change_passes(bench, 50, listener=heard.append)
        after = bench.read_power()
        proved = bench.last_proved(50)
        spacing_m = bench.positions()["spacing"]
        truth = simulation.end()
    assert outcome.verdict is autocell.Verdict.REACHED
    assert truth["passes"] == 50
    assert heard
    assert after.power_w < 0.8 * before.power_w, "fifty passes lose more than six"
    assert proved == outcome
    assert outcome.setting is not None
    zero_m = bench.description.spacing_at_zero_m
    assert spacing_m + zero_m == pytest.approx(outcome.setting.spacing_m, abs=3e-6)
    with Store.open(store_path) as store:
        (run,) = store.runs()
    assert (run.id, run.command, run.passes) == (outcome.run, "change", 50)
    assert not (tmp_path / "reports").exists()


@pytest.mark.thorough
def test_a_second_change_starts_from_what_the_first_one_learned_unless_told_otherwise(
    module_autocell: CommandLine, tmp_path: Path
) -> None:
    store_path = tmp_path / "runs.sqlite"
    with (
        module_autocell.simulating("--seed", 6) as simulation,
        autocell.open_bench(simulation.bench_file, store=store_path) as bench,
    ):
        first = autocell.change_passes(bench, 26)
        second = autocell.change_passes(bench, 38)
        afresh = autocell.change_passes(bench, 26, afresh=True)
    assert {outcome.verdict for outcome in (first, second, afresh)} == {autocell.Verdict.REACHED}
    with Store.open(store_path) as store:
        asked = {run: store.run(run).arguments for run in (str(second.run), str(afresh.run))}
    assert asked[str(second.run)]["learned_by"] == first.run
    assert "learned_by" not in asked[str(afresh.run)]


def test_a_bench_has_one_owner_in_python_too(served: Served, tmp_path: Path) -> None:
    _, simulation = served
    path = simulation.bench_file
    with (
        autocell.open_bench(path, store=tmp_path / "runs.sqlite"),
        pytest.raises(Busy, match=r"change_passes\(\) in Python"),
        autocell.open_bench(path),
    ):
        pass


def test_a_pass_count_that_cannot_be_is_refused_before_a_run_begins(
    served: Served, tmp_path: Path
) -> None:
    _, simulation = served
    path = simulation.bench_file
    store = tmp_path / "runs.sqlite"
    with autocell.open_bench(path, store=store) as bench, pytest.raises(NoSuchPattern):
        autocell.change_passes(bench, 63)
    assert not store.exists()


def test_the_names_are_there_and_cost_nothing_until_they_are_used() -> None:
    code = (
        "import sys, autocell\n"
        "assert set(autocell.__all__) <= set(dir(autocell))\n"
        "print([m for m in sys.modules if m.startswith(('numpy', 'pydantic', 'autocell.'))])"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ended.stdout == "[]\n"
    for name in autocell.__all__:
        assert getattr(autocell, name) is not None
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = autocell.no_such_name
