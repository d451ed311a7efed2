"""``autocell demo``: the whole job on a simulated bench, in the way a laboratory would do it.

The bench is simulated in a process of its own, which keeps the truth to itself until the outcome
is fixed; this process knows only the bench file with its addresses.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from autocell.cli.invocation import Invocation
from autocell.cli.options import (
    outcome_json_option,
    refuse_unwritable,
    report_option,
    store_option,
)
from autocell.cli.simulate import random_seed
from autocell.errors import DeviceError

if TYPE_CHECKING:
    from autocell.session.conduct import Ended

_BENCH = "peat-bog"
_PATIENCE_S = 15.0


@click.command(short_help="The whole job on a simulated bench; start here.")
@click.option("--passes", metavar="N", type=int, default=62, show_default=True,
              help="The wanted pass count; the bench starts at six.")  # fmt: skip
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    help="Draws the true bench, which the tuning side never sees; random if left out.",
)
@click.option(
    "--truth",
    metavar="FILE",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write at the end what the simulator knows, as JSON.",
)
@click.option("--keep", is_flag=True, help="Keep the bench served afterwards, until Ctrl-C.")
@report_option
@store_option
@outcome_json_option
@click.pass_obj
def demo(
    invocation: Invocation,
    passes: int,
    seed: int | None,
    truth: Path | None,
    keep: bool,
    report: Path | None,
    store: Path | None,
    as_json: bool,
) -> int:
    """Change a simulated bench from 6 to 62 passes, with nobody helping.

    An invented methane chamber on a peat bog: 1654 nm, mirrors of 500 mm radius. The bench is
    served on a pseudo-terminal and a TCP port, and opened as a real one would be.
    """
    from autocell.bench.file import load, shipped
    from autocell.cli import output
    from autocell.cli.change import run_change
    from autocell.cli.results import print_finished
    from autocell.cli.session import print_cautions
    from autocell.patterns import choose_pattern

    refuse_unwritable(truth, "--truth")
    seed = random_seed() if seed is None else seed
    err = output.err()
    output.say(err, f"A simulated bench; everything about it is invented. Seed {seed}.", "bold")
    output.say(err, "Starting it; the first time, the optics are compiled.", "dim")
    choose_pattern(load(shipped(_BENCH)), passes)  # refused before anything is started
    with tempfile.TemporaryDirectory(prefix="autocell-", ignore_cleanup_errors=True) as folder:
        known = Path(folder) / "truth.json"
        with _simulator(seed, known) as simulator:
            for name, address in simulator.addresses.items():
                output.say(err, f"  {name:<8} {address}", "dim")
            description = load(simulator.bench_file)
            print_cautions(description)
            finished = run_change(invocation, description, passes, 0, report, "demo")
            print_finished(invocation, finished, as_json, _about(finished, seed))
            if keep:
                _wait(simulator.bench_file)
        if not known.stat().st_size:
            raise DeviceError("the simulator ended before it could tell what it knows")
        told = json.loads(known.read_text(encoding="utf-8"))
        if truth is not None:
            truth.write_bytes(known.read_bytes())
    _tell_truth(told, seed)
    return finished.outcome.verdict.exit_code


@dataclass(frozen=True)
class _Simulator:
    """What the simulating process says when it is ready."""

    bench_file: Path
    addresses: dict[str, str]


@contextmanager
def _simulator(seed: int, truth: Path) -> Iterator[_Simulator]:
    """``autocell simulate`` in a process of its own, until left; then ``truth`` is written.

    It ends when its standard input does, so it outlives this process in no case. Ctrl-C does not
    reach it: the axes must still be there to be stopped.
    """
    command = [
        *(sys.executable, "-P", "-m", "autocell.cli", "simulate", _BENCH, "--json", "--until-eof"),
        *("--seed", str(seed), "--truth", str(truth)),
    ]
    process = subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        start_new_session=True,
        creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),  # the same on Windows
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        ready = process.stdout.readline()
        if not ready:
            raise DeviceError("the simulated bench did not start; see above for its reason")
        told = json.loads(ready)
        yield _Simulator(Path(told["bench_file"]), told["addresses"])
    finally:
        process.stdin.close()
        try:
            process.wait(_PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        process.stdout.close()


def _about(finished: Ended, seed: int) -> dict[str, Any]:
    """What the JSON object of a demo says beyond that of a change."""
    report = None if finished.report is None else str(finished.report.absolute())
    return {"simulated": True, "seed": seed, "report": report}


def _wait(bench_file: Path) -> None:
    """Until somebody presses Ctrl-C."""
    import time

    from autocell.cli import output

    output.say(output.err(), "The bench stays served until Ctrl-C. In another terminal:")
    output.say(output.err(), f"  autocell status --bench {bench_file}")
    try:
        while True:
            time.sleep(3600.0)
    except KeyboardInterrupt:
        output.say(output.err(), "")  # the terminal has echoed ^C


def _tell_truth(told: dict[str, Any], seed: int) -> None:
    """What the simulator says once the outcome is fixed."""
    from autocell.cli import output

    err = output.err()
    output.say(
        err,
        f"The simulator, asked only now: {told['passes']} passes at a true spacing of "
        f"{told['spacing_m'] * 1e3:.3f} mm.",
    )
    output.say(err, f"All of this was simulated and invented. Again: autocell demo --seed {seed}")
