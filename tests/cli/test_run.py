"""``run`` over real lines: one night, with a hook that writes down what it is told."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from autocell.cli.main import main
from autocell.records import Store
from tests.cli.conftest import Served

HOOK = """
import json, os, sys
told = {k: v for k, v in os.environ.items() if k.startswith("AUTOCELL_")}
with open(sys.argv[1], "a") as file:
    file.write(json.dumps(told) + "\\n")
"""


@pytest.mark.thorough
def test_a_night_is_carried_out_and_its_hook_is_told(served: Served, tmp_path: Path) -> None:
    autocell, bench = served
    (tmp_path / "hook.py").write_text(HOOK)
    heard = tmp_path / "heard"
    programme = tmp_path / "night.yaml"
    command = json.dumps([sys.executable, str(tmp_path / "hook.py"), str(heard)])
    programme.write_text(
        f"programme: one night (invented)\nbench: {bench.bench_file}\ntime_zone: UTC\n"
        f"hook: {{command: {command}}}\nsteps:\n  - change: 50\n  - settle_min: 0.01\n"
    )
    ended = autocell("run", programme, "--json")
    assert ended.code == 0, ended.err
    (told,) = ended.out.splitlines()
    outcome = json.loads(told)
    assert (outcome["verdict"], outcome["passes"]) == ("reached", 50)
    assert "Step 2: settle for 0.01 min." in ended.err
    assert "Laser class 3B" in ended.err
    before, after = (json.loads(line) for line in heard.read_text().splitlines())
    assert (before["AUTOCELL_WHEN"], before["AUTOCELL_VERDICT"]) == ("before", "")
    assert before["AUTOCELL_PASSES"] == "50"
    assert (after["AUTOCELL_WHEN"], after["AUTOCELL_VERDICT"]) == ("after", "reached")
    assert after["AUTOCELL_RUN"] == outcome["run"]
    assert float(after["AUTOCELL_PATH_LENGTH_M"]) == outcome["path_length_m"]
    with Store.open(autocell.store) as store:
        run = store.run(outcome["run"])
    assert (run.summary.command, run.arguments["programme"]) == ("change", "one night (invented)")


def test_the_shipped_programme_can_be_looked_at(capsys: pytest.CaptureFixture[str]) -> None:
    path = Path(__file__).parents[2] / "configs" / "peat-bog-nights.yaml"
    assert main(["run", str(path), "--check"]) == 0
    told = capsys.readouterr().out
    assert "every night from 22:00 EE" in told
    assert "4. change to 50 passes, unless the change before is held" in told


def test_a_programme_that_is_not_there_is_wrong_usage(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", str(tmp_path / "none.yaml")]) == 2
    assert "there is no such programme" in capsys.readouterr().err


def test_a_programme_that_waits_leaves_the_bench_to_others_and_is_ended_by_a_stop(
    served: Served, tmp_path: Path
) -> None:
    autocell, bench = served
    programme = tmp_path / "wait.yaml"
    programme.write_text(
        f"programme: waiting (invented)\nbench: {bench.bench_file}\ntime_zone: UTC\n"
        "steps:\n  - settle_min: 600\n  - change: 50\n"
    )
    process = autocell.start("run", programme)
    assert process.stderr is not None
    while "Step 1: settle" not in (line := process.stderr.readline()):
        assert line, process.communicate()
    second = autocell("run", programme)
    status = autocell("status", "--bench", bench.bench_file)
    stopped = autocell("stop", "--bench", bench.bench_file)
    _, err = process.communicate(timeout=240)
    assert second.code == 4
    assert f"'autocell run' (process {process.pid}" in second.err
    assert status.code == 0
    assert f"'autocell run' (process {process.pid}" in stopped.out
    assert process.returncode == 4
    assert "stopped by 'autocell stop'" in err
