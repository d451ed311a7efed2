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

from autocell.bench.stopping import keep_interrupts
from autocell.cli.options import bench_option, json_option

if TYPE_CHECKING:
    from autocell_simulators.rehearsal.nights import NightsFile, NightsPlan

_INTERRUPTED = 4
"""Exit code: held, as after any other interrupt."""


@click.command("night")
@click.argument("passes", metavar="N", type=int)
@bench_option()
@click.option("--nights", type=click.IntRange(min=1), default=1000, show_default=True,
              help="How many nights.")  # fmt: skip
@click.option("--nights-per-bench", "per_bench", type=click.IntRange(min=1), default=1,
              show_default=True,
              help="How many of them begin with the same evening on the same bench.")  # fmt: skip
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True,
              help="Draws all the benches, and what happens to them.")  # fmt: skip
@click.option("--serious", is_flag=True,
              help="Something serious happens every night, kind after kind.")  # fmt: skip
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
    per_bench: int,
    seed: int,
    serious: bool,
    workers: int | None,
    only: int | None,
    path: Path | None,
    as_json: bool,
) -> int:
    """Rehearse recoveries: N passes are proved in the evening, a night goes by, and the bench is
    recovered.

    Every night drifts as benches do; one in ten has a serious fault as well. With --serious each
    has one, and a mirror or the launch that stands elsewhere is among them. Counted is what the
    simulator knows to be true. An evening takes ten times as long to compute as most nights:
    with --nights-per-bench several nights share it, each as if there were no other. Ctrl-C leaves a
    file from which it goes on.
    """
    with keep_interrupts() as interrupts:  # until there are nights to go on with
        from autocell_simulators.rehearsal.threads import ONE_THREAD

        # before numpy: a night replayed here is as it was in a worker
        os.environ.update(ONE_THREAD)
        from autocell_simulators.rehearsal.copies import CAN_COPY
        from autocell_simulators.rehearsal.nights import NightsFile, NightsPlan, NightsSummary
        from autocell_simulators.rehearsal.plan import Lost
        from autocell_simulators.rehearsal.processes import carry_out, cores
        from autocell_simulators.rehearsal.summary_text import lost as in_words

        from autocell.bench.file import load
        from autocell.cli import output
        from autocell.cli.progress import shown
        from autocell.errors import UsageError
        from autocell.patterns import choose_pattern

        description = load(bench)
        choose_pattern(description, passes)
        if per_bench > 1 and not CAN_COPY:
            raise UsageError("--nights-per-bench: this system cannot copy a process; leave it at 1")
        work = NightsPlan(description, passes, seed, per_bench, serious)
        if only is None:
            file = NightsFile(path or Path(f"nights-{passes}-{seed}.jsonl"), work)
    if only is not None:
        interrupts.deliver()
        with shown() as listener:
            night = work.night(only, listener)
        output.print_json(dataclasses.asdict(night))
        return 0
    kept = set(file.results)
    benches = [
        bench
        for bench in range(-(-nights // per_bench))
        if not kept.issuperset(work.of_bench(bench))
    ]
    lost: list[Lost] = []
    try:
        interrupts.deliver()
        _tell(len(kept), nights)
        with closing(carry_out(work, benches, workers or cores())) as results:
            for found in results:
                if isinstance(found, Lost):
                    lost.append(found)
                    continue
                for night in found:
                    if night.index < nights and night.index not in kept:
                        file.append(night)
                _tell(len(file.results), nights)
    except KeyboardInterrupt:
        _tell_how_to_resume(work, nights, file)
        return _INTERRUPTED
    found = [file.results[index] for index in range(nights) if index in file.results]
    summary = NightsSummary.of(found, knows_laser=description.reference_meter is not None)
    if as_json:
        output.print_json(dataclasses.asdict(summary))
    else:
        for label, value in summary.rows:
            output.say(output.out(), f"{label}: {value}")
    if lost:
        output.say(output.err(), in_words(lost))
    output.say(output.err(), f"Results: {file.path.absolute()}")
    return 0


def _tell(done: int, nights: int) -> None:
    print(f"{done} of {nights} nights", file=sys.stderr, flush=True)


def _tell_how_to_resume(work: NightsPlan, nights: int, file: NightsFile) -> None:
    from autocell.cli import output

    path = str(file.path.absolute())
    words = [
        *("autocell", "rehearse", "night", str(work.passes)),
        *("--bench", str(work.description.path), "--seed", str(work.seed)),
        *("--nights", str(nights), "--nights-per-bench", str(work.per_bench)),
        *(["--serious"] if work.serious_only else []),
        *("--file", path),
    ]
    kept = f"Stopped; {len(file.results)} of {nights} nights are kept in {path}. To go on:"
    output.say(output.err(), kept)
    output.say(output.err(), f"  {shlex.join(words)}")
