"""``autocell rehearse night``: recoveries after many simulated nights."""

from __future__ import annotations

import dataclasses
import os
import shlex
import sys
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import click

from autocell.cli.options import bench_option, json_option

if TYPE_CHECKING:
    from autocell_simulators.rehearsal.nights import Nights, NightsFile

_INTERRUPTED = 4
"""Exit code: held, as after any other interrupt."""


@click.command("night")
@click.argument("passes", metavar="N", type=int)
@bench_option()
@click.option("--nights", type=click.IntRange(min=1), default=1000, show_default=True,
              help="How many nights, each on a bench of its own.")  # fmt: skip
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True,
              help="Draws all the benches, and what happens to them.")  # fmt: skip
@click.option("--workers", type=click.IntRange(min=1),
              help="Processes at work; by default one a core.")  # fmt: skip
@click.option("--only", metavar="INDEX", type=click.IntRange(min=0),
              help="Only night number INDEX, step by step; no file.")  # fmt: skip
@click.option("--file", "path", metavar="NIGHTS.jsonl", required=False,
              type=click.Path(dir_okay=False, path_type=Path),
              help="Where results go as they come; if it exists, go on from there.")  # fmt: skip
@json_option
def rehearse_night(
    passes: int,
    bench: Path,
    nights: int,
    seed: int,
    workers: int | None,
    only: int | None,
    path: Path | None,
    as_json: bool,
) -> int:
    """Rehearse recoveries: N passes are proved in the evening, a night goes by, and the bench is
    recovered.

    Every night drifts as benches do; one in ten has a serious fault as well. Counted is what the
    simulator knows to be true. Ctrl-C leaves a file from which it goes on.
    """
    from autocell_simulators.rehearsal.threads import ONE_THREAD

    os.environ.update(ONE_THREAD)  # before numpy: a night replayed here is as it was in a worker
    from autocell_simulators.rehearsal.nights import Nights, NightsFile, NightsSummary
    from autocell_simulators.rehearsal.processes import carry_out, cores

    from autocell.bench.file import load
    from autocell.cli import output
    from autocell.cli.progress import shown
    from autocell.patterns import choose_pattern

    description = load(bench)
    choose_pattern(description, passes)
    work = Nights(description, passes, seed)
    if only is not None:
        with shown() as listener:
            night = work.rehearse(only, listener)
        output.print_json(dataclasses.asdict(night))
        return 0
    file = NightsFile(path or Path(f"nights-{passes}-{seed}.jsonl"), work)
    missing = [index for index in range(nights) if index not in file.results]
    try:
        _tell(nights - len(missing), nights)
        with closing(carry_out(work, missing, workers or cores())) as results:
            for count, night in enumerate(results, start=1):
                file.append(night)
                _tell(nights - len(missing) + count, nights)
    except KeyboardInterrupt:
        _tell_how_to_resume(work, nights, file)
        return _INTERRUPTED
    found = [file.results[index] for index in range(nights)]
    summary = NightsSummary.of(found, knows_laser=description.reference_meter is not None)
    if as_json:
        output.print_json(dataclasses.asdict(summary))
    else:
        for label, value in summary.rows:
            output.say(output.out(), f"{label}: {value}")
    output.say(output.err(), f"Results: {file.path.absolute()}")
    return 0


def _tell(done: int, nights: int) -> None:
    print(f"{done} of {nights} nights", file=sys.stderr, flush=True)


def _tell_how_to_resume(work: Nights, nights: int, file: NightsFile) -> None:
    from autocell.cli import output

    path = str(file.path.absolute())
    words = [
        *("autocell", "rehearse", "night", str(work.passes)),
        *("--bench", str(work.description.path), "--seed", str(work.seed)),
        *("--nights", str(nights), "--file", path),
    ]
    kept = f"Stopped; {len(file.results)} of {nights} nights are kept in {path}. To go on:"
    output.say(output.err(), kept)
    output.say(output.err(), f"  {shlex.join(words)}")
