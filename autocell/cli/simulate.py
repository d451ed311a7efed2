"""``autocell simulate BENCH``: a simulated bench on real lines, for this or any other program."""

from __future__ import annotations

import contextlib
import os
import secrets
import signal
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click

from autocell.cli.options import bench_path, refuse_unwritable

if TYPE_CHECKING:
    from autocell_simulators.bench import SimulatedBench
    from autocell_simulators.serving import Served

_SIGNALS = (signal.SIGINT, signal.SIGTERM)
_HANG_UP: signal.Signals | None = getattr(signal, "SIGHUP", None)
_LOOK_S = 0.5
"""How often is looked whether somebody still wants the bench."""
_LARGEST_SEED = 10**6


def random_seed() -> int:
    """A seed that is easily typed again."""
    return secrets.randbelow(_LARGEST_SEED)


@click.command(short_help="Serve a simulated bench to other programs.")
@click.argument("bench", metavar="BENCH")
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    help="Draws the true bench within the tolerances of the bench file; random if left out.",
)
@click.option(
    "--start",
    metavar="NAME",
    help="How the bench is found: six-pass (usually), aligned, knocked, power-cycled, dark, "
    "wrong-pass-count, hot or dusty.",
)
@click.option(
    "--scenario",
    metavar="FILE",
    help="What goes wrong, and when: a scenario file, or the name of one that comes along "
    "(bad-night).",
)
@click.option(
    "--control",
    is_flag=True,
    help="Open one more port, on which a test is told the truth and can begin and end faults.",
)
@click.option(
    "--truth",
    metavar="FILE",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write at the end what is true of the bench, as JSON.",
)
@click.option(
    "--write",
    "write_to",
    metavar="FILE",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where to write the bench file with the addresses; by default a temporary one.",
)
@click.option("--tcp", is_flag=True, help="Serve the controller on a TCP port, not on a terminal.")
@click.option("--json", "as_json", is_flag=True, help="Print what is served as one line of JSON.")
@click.option(
    "--until-eof", is_flag=True, help="End also when standard input ends, for a program above."
)
def simulate(
    bench: str,
    seed: int | None,
    start: str | None,
    scenario: str | None,
    control: bool,
    truth: Path | None,
    write_to: Path | None,
    tcp: bool,
    as_json: bool,
    until_eof: bool,
) -> int:
    """Serve the bench of a bench file, all of it simulated and invented, until stopped.

    The motion controller is served on a pseudo-terminal and the power meter on a TCP port of this
    machine. BENCH is a bench file or the name of one that comes along (peat-bog). Any program may
    talk to it; it moves in real time. With a scenario it fails as real benches do: docs/faults.md
    says how.

    It ends with the program or shell that started it, however that ends; started with nohup it does
    not. On Windows only --until-eof sees to that.
    """
    orphaned = _orphaned()
    refuse_unwritable(truth, "--truth")
    refuse_unwritable(write_to, "--write")
    with _asked_to_end(until_eof) as end, contextlib.ExitStack() as open_until_the_end:
        from autocell_simulators.bench import SimulatedBench
        from autocell_simulators.control import controlled
        from autocell_simulators.faults.scenario import Scenario
        from autocell_simulators.faults.scenario import load as load_scenario
        from autocell_simulators.serving import serve

        from autocell.bench.clock import RealClock, VirtualClock
        from autocell.bench.file import load
        from autocell.cli.output import as_json as to_json

        seed = random_seed() if seed is None else seed
        happens = Scenario() if control else None
        if scenario is not None:
            happens = load_scenario(bench_path(scenario))
        description = load(bench_path(bench))
        # compiles the optics now: no client shall wait for it, and no scenario be late
        SimulatedBench(description, seed, VirtualClock()).truth_report()
        simulated = SimulatedBench(description, seed, RealClock(), start=start, scenario=happens)
        enter = open_until_the_end.enter_context
        folder = Path(enter(tempfile.TemporaryDirectory(prefix="autocell-")))
        served = enter(serve(simulated, pseudo_terminals=False if tcp else None))
        path = served.write_bench_file(
            write_to or folder / simulated.description.path.name, by_id=happens is not None
        ).absolute()
        told_at = enter(controlled(simulated, served.addresses)) if control else None
        _announce(simulated, served, path, told_at, as_json)
        while not end.wait(_LOOK_S) and not orphaned():
            pass
        if truth is not None:
            truth.write_text(to_json(simulated.truth_report()) + "\n", encoding="utf-8")
    return 0


def _orphaned() -> Callable[[], bool]:
    """Whether whoever started this has ended since: even one that was killed and says nothing.

    A process whose parent ends gets another one. Linux could send a signal then, but already when
    the thread that started this ends. One that was started with nohup is to outlive its parent,
    unless all that this says is that its parent was.
    """
    parent = os.getppid()
    if _ignores_hang_up() and not _parent_ignores_hang_up(parent):
        return lambda: False
    return lambda: os.getppid() != parent


def _ignores_hang_up() -> bool:
    return _HANG_UP is not None and signal.getsignal(_HANG_UP) is signal.SIG_IGN


def _parent_ignores_hang_up(parent: int) -> bool:
    """So far as the system tells."""
    try:
        status = Path(f"/proc/{parent}/status").read_text("ascii", "replace")
    except OSError:
        return False
    ignored = [int(line.split()[1], 16) for line in status.splitlines() if "SigIgn:" in line]
    return _HANG_UP is not None and any(mask >> (_HANG_UP - 1) & 1 for mask in ignored)


@contextmanager
def _asked_to_end(until_eof: bool) -> Iterator[threading.Event]:
    """Set by the first SIGINT, SIGTERM or SIGHUP, or when standard input ends."""
    end = threading.Event()

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        end.set()

    def read_to_the_end() -> None:
        with contextlib.suppress(OSError, ValueError):
            while sys.stdin.buffer.read(4096):
                pass
        end.set()

    hangs_up = () if _HANG_UP is None or _ignores_hang_up() else (_HANG_UP,)
    before = {number: signal.signal(number, on_signal) for number in (*_SIGNALS, *hangs_up)}
    if until_eof:
        threading.Thread(target=read_to_the_end, daemon=True).start()
    try:
        yield end
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _announce(
    simulated: SimulatedBench, served: Served, path: Path, told_at: str | None, as_json: bool
) -> None:
    """The ready signal: from now on clients are welcome."""
    if as_json:
        import json

        ready = {
            "bench": simulated.description.name,
            "bench_file": str(path),
            "addresses": dict(served.addresses),
            "seed": simulated.truth.seed,
            "control": told_at,
        }
        print(json.dumps(ready), flush=True)
        return
    from autocell.cli import output

    console = output.out()
    output.say(console, f"Simulated bench: {simulated.description.name}", "bold")
    output.say(console, "Everything here is simulated and invented; no light, nothing that moves.")
    output.say(console, "")
    width = max(map(len, [*served.addresses, "control"]))
    for name, address in served.addresses.items():
        output.say(console, f"  {name:<{width}}  {address}")
    output.say(console, f"  {'seed':<{width}}  {simulated.truth.seed}")
    if told_at is not None:
        output.say(console, f"  {'control':<{width}}  {told_at}")
    output.say(console, "")
    output.say(console, "Ready. In another terminal:")
    output.say(console, f"  autocell change 62 --bench {path}")
    output.say(console, "Ctrl-C ends it.", "dim")
