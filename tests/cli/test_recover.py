"""``autocell recover`` and ``autocell.recover`` over real lines: knocked through the control port,
recovered by the tool, and held against what the simulator knows."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest

import autocell as in_python
from autocell.bench.file import shipped
from autocell.errors import UsageError
from autocell.records import Store
from tests.cli.conftest import CommandLine, Served, Simulation

PASSES = 26


@pytest.fixture(scope="module")
def proved(module_autocell: CommandLine) -> Iterator[Served]:
    """A served bench whose pattern was proved; it looks again after a second, not a minute."""
    folder = module_autocell.folder
    text = shipped("peat-bog").read_text("utf-8")
    (folder / "bench.yaml").write_text(f"{text}\nrecovery: {{look_again_s: 1}}\n", "utf-8")
    shutil.copy(shipped("plain-motion"), folder / "plain-motion.yaml")
    bench = folder / "bench.yaml"
    with module_autocell.simulating("--seed", 6, "--control", bench=str(bench)) as simulation:
        changed = module_autocell.here("change", PASSES, "--bench", simulation.bench_file)
        assert changed.code == 0, changed.err
        yield module_autocell, simulation


def knock(simulation: Simulation) -> None:
    """Turn the launch by no more than the bench file allows it to be off."""
    whole_w = simulation.ask("truth")["power_fraction"]
    simulation.ask("begin", fault={"fault": "knock", "percent": 20})
    assert simulation.ask("truth")["power_fraction"] < 0.85 * whole_w


@pytest.mark.thorough
def test_a_knocked_bench_is_recovered_over_its_lines_and_says_so(proved: Served) -> None:
    autocell, simulation = proved
    knock(simulation)
    recovered = autocell.here("recover", "--bench", simulation.bench_file, "--json")
    truth = simulation.ask("truth")
    assert recovered.code == 0, recovered.err
    told = recovered.json
    assert told["verdict"] == "recovered", told["reason"]
    assert told["proof"]["proved"]
    assert told["passes"] == truth["passes"] == PASSES
    assert truth["limit_violations"] == 0
    recovery = told["recovery"]
    assert recovery["power_before"]["value"] < 0.85
    assert recovery["power_after"]["value"] == pytest.approx(1.0, abs=0.03)
    assert recovery["reference"]["passes"] == PASSES
    assert recovery["cause"]["name"] == "knock", recovery["cause"]
    assert recovery["steps"][0]["name"] == "look again"
    assert any(step["accepted"] for step in recovery["steps"])
    assert "re-centre" in recovered.err, "what is tried is told as it goes"


@pytest.mark.thorough
def test_a_bench_that_stands_is_left_alone_from_python_and_said_to_be_well(proved: Served) -> None:
    autocell, simulation = proved
    heard: list[str] = []
    moves = simulation.ask("truth")["moves"]
    with in_python.open_bench(simulation.bench_file, store=autocell.store) as bench:
        reference = bench.last_proved(PASSES)
        outcome = in_python.recover(bench, listener=lambda progress: heard.append(progress.stage))
        with pytest.raises(UsageError):
            in_python.recover(bench, 38)  # nothing of that was proved
    truth = simulation.ask("truth")
    assert outcome.verdict is in_python.Verdict.UNCHANGED, outcome.reason
    assert truth["passes"] == PASSES
    assert truth["moves"] == moves
    assert outcome.passes is None, "nothing is claimed that this run did not prove"
    assert outcome.recovery is not None
    assert reference is not None
    assert outcome.recovery.reference.run == reference.run
    assert outcome.recovery.reference.passes == PASSES
    assert outcome.recovery.cause is None
    assert outcome.recovery.power_before is not None
    assert outcome.recovery.power_before.value == pytest.approx(1.0, abs=0.03)
    assert heard == ["read"]
    with Store.open(autocell.store) as store:
        assert store.run(str(outcome.run)).summary.command == "recover"
