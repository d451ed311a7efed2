"""``autocell run PROGRAMME``: pass changes, settling and waiting, night after night."""

from __future__ import annotations

import json
import sys
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from autocell.cli.invocation import Invocation
from autocell.cli.options import json_option, store_option

if TYPE_CHECKING:
    from autocell.outcome import Outcome
    from autocell.programme.around import Around
    from autocell.programme.programme import Programme


_TOLD_TO_END = 143
"""128 + 15, by which shells and service managers know a process that SIGTERM has ended."""

_GOES_ON = (
    "Nobody asked that the bench be held: the next start undoes what was broken off, and goes on."
)


@click.command(short_help="Carry out a programme, night after night.")
@click.argument("programme", metavar="PROGRAMME", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--once", is_flag=True, help="Carry the steps out once, from now on, then end.")
@click.option("--check", "only_check", is_flag=True, help="Only say what would be done, and when.")
@store_option
@json_option
@click.pass_obj
def run(
    invocation: Invocation,
    programme: Path,
    once: bool,
    only_check: bool,
    store: Path | None,
    as_json: bool,
) -> int:
    """Carry out what a programme file lists: pass changes, settling, waiting, every night anew.

    Each change is a run of its own, as of the command change, with its report. What a run before
    left is undone first. With --json each outcome is one line of JSON on standard output. Ctrl-C
    and the command stop end the programme with every axis still, and its change as held. Told to
    end by SIGTERM, as by a service manager, it stops every axis too, and the next start goes on.
    """
    from autocell.cli.session import print_cautions
    from autocell.errors import ToldToEnd
    from autocell.programme.programme import load

    loaded = load(programme)
    if only_check:
        return _show(loaded)
    print_cautions(loaded.bench)
    try:
        return _carry_out(loaded, once, invocation, as_json)
    except ToldToEnd as ended:
        print(f"autocell: {ended}. {_GOES_ON}", file=sys.stderr)
        return _TOLD_TO_END


def _carry_out(loaded: Programme, once: bool, invocation: Invocation, as_json: bool) -> int:
    from autocell.bench.stopping import stop_on_signals
    from autocell.notices.alive import notify_systemd
    from autocell.programme.night import Conductor
    from autocell.session.claim import PROGRAMME, Stop, claim
    from autocell.session.safe import safe_first

    with (
        ExitStack() as last_words,  # they are waited for once nobody waits for the bench any more
        claim(loaded.bench, "run", PROGRAMME) as ownership,
        stop_on_signals() as interrupts,
        ownership.stopping(lambda by: Stop(told=interrupts.ask(by), unconfirmed={})),
    ):
        with safe_first(loaded.bench):
            around = _around(loaded, invocation, as_json, last_words)
        conductor = Conductor(loaded, around)
        notify_systemd("READY=1")
        if once or loaded.begins is None:
            return conductor.once().exit_code
        for _ in conductor.every_night():
            pass
    return conductor.worst.exit_code


def _around(
    programme: Programme, invocation: Invocation, as_json: bool, last_words: ExitStack
) -> Around:
    from autocell.bench.clock import RealClock
    from autocell.cli import output
    from autocell.programme.around import Around
    from autocell.programme.wall import MachineWall
    from autocell.programme.watch import Watch

    def tell(text: str) -> None:
        now = datetime.now(programme.zone)
        output.say(output.err(), f"{now:%Y-%m-%d %H:%M:%S %Z}  {text}")

    clock = RealClock()
    watch = Watch(programme, invocation.store, clock, tell)
    last_words.callback(watch.close)

    def ended(outcome: Outcome) -> None:
        if as_json:
            print(json.dumps(outcome.as_json()), flush=True)
        watch.ended(outcome)

    wall = MachineWall(clock)
    return Around(wall, invocation.store, tell=tell, alive=watch.alive, ended=ended)


def _show(programme: Programme) -> int:
    from autocell.cli import output
    from autocell.programme.timetable import moment

    console = output.out()
    when = "once, when it is started"
    if programme.begins is not None:
        today = datetime.now(programme.zone).date()
        begins = moment(today, programme.begins, programme.zone).astimezone(programme.zone)
        when = f"every night from {begins:%H:%M %Z}"
    output.say(console, f"{programme.name}: {when}, on {programme.bench.name}")
    for number, step in enumerate(programme.steps, start=1):
        condition = ", unless the change before is held" if step.skip_if_held else ""
        output.say(console, f"  {number}. {step}{condition}")
    output.say(console, f"When a change is held: {programme.on_held}.")
    return 0
