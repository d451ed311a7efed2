"""``autocell simulate BENCH``: a simulated bench on real lines, for this or any other program."""

from __future__ import annotations

import contextlib
import secrets
import signal
import sys
import tempfile
import threading
from collections.abc import Iterator
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
@click.option("--start", metavar="NAME", default="six-pass", show_default=True,
              help="How the bench is found: six-pass, power-cycled or dark.")  # fmt: skip
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
    start: str,
    truth: Path | None,
    write_to: Path | None,
    tcp: bool,
    as_json: bool,
    until_eof: bool,
) -> int:
    """Serve the bench of a bench file, all of it simulated and invented, until stopped.

    The motion controller is served on a pseudo-terminal and the power meter on a TCP port of this
    machine. BENCH is a bench file or the name of one that comes along (peat-bog). Any program may
    talk to it; it moves in real time.
    """
    refuse_unwritable(truth, "--truth")
    refuse_unwritable(write_to, "--write")
    with _asked_to_end(until_eof) as end:
        from autocell_simulators.bench import SimulatedBench
        from autocell_simulators.serving import serve

        from autocell.bench.clock import RealClock
        from autocell.bench.file import load
        from autocell.cli.output import as_json as to_json

        seed = random_seed() if seed is None else seed
        simulated = SimulatedBench(load(bench_path(bench)), seed, RealClock(), start=start)
        simulated.truth_report()  # compiles the optics now: no client shall wait for it
        with (
            tempfile.TemporaryDirectory(prefix="autocell-") as folder,
            serve(simulated, pseudo_terminals=False if tcp else None) as served,
        ):
            path = served.write_bench_file(
                write_to or Path(folder) / simulated.description.path.name
            ).absolute()
            _announce(simulated, served, path, as_json)
            while not end.wait(0.5):
                pass
            if truth is not None:
                truth.write_text(to_json(simulated.truth_report()) + "\n", encoding="utf-8")
    return 0


@contextmanager
def _asked_to_end(until_eof: bool) -> Iterator[threading.Event]:
    """Set by the first SIGINT or SIGTERM, or when standard input ends."""
    end = threading.Event()

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        end.set()

    def read_to_the_end() -> None:
        with contextlib.suppress(OSError, ValueError):
            while sys.stdin.buffer.read(4096):
                pass
        end.set()

    before = {number: signal.signal(number, on_signal) for number in _SIGNALS}
    if until_eof:
        threading.Thread(target=read_to_the_end, daemon=True).start()
    try:
        yield end
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _announce(simulated: SimulatedBench, served: Served, path: Path, as_json: bool) -> None:
    """The ready signal: from now on clients are welcome."""
    if as_json:
        import json

        ready = {
            "bench": simulated.description.name,
            "bench_file": str(path),
            "addresses": dict(served.addresses),
            "seed": simulated.truth.seed,
        }
        print(json.dumps(ready), flush=True)
        return
    from autocell.cli import output

    console = output.out()
    output.say(console, f"Simulated bench: {simulated.description.name}", "bold")
    output.say(console, "Everything here is simulated and invented; no light, nothing that moves.")
    output.say(console, "")
    width = max(map(len, served.addresses))
    for name, address in served.addresses.items():
        output.say(console, f"  {name:<{width}}  {address}")
    output.say(console, f"  {'seed':<{width}}  {simulated.truth.seed}")
    output.say(console, "")
    output.say(console, "Ready. In another terminal:")
    output.say(console, f"  autocell change 62 --bench {path}")
    output.say(console, "Ctrl-C ends it.", "dim")
