"""``autocell rehearse``: a procedure on many simulated benches, before one is left alone."""

from __future__ import annotations

import os
import shlex
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from autocell.bench.stopping import keep_interrupts
from autocell.cli.invocation import Invocation
from autocell.cli.options import bench_option, json_option, store_option

if TYPE_CHECKING:
    from autocell_simulators.faults.scenario import Scenario
    from autocell_simulators.rehearsal.campaign_file import CampaignFile
    from autocell_simulators.rehearsal.one import Rehearsal
    from autocell_simulators.rehearsal.plan import CarryOut, Lost, Plan
    from autocell_simulators.rehearsal.summary import Summary

_INTERRUPTED = 4
"""Exit code: held, as after any other interrupt."""

_FAILED = 5
"""Exit code: nothing came back."""

_LAST = "last"


@click.group()
def rehearse() -> None:
    """Run a procedure on simulated benches, drawn from the tolerances of a bench file."""


@rehearse.command("change")
@click.argument("passes", metavar="N", type=int)
@bench_option()
@click.option("--benches", type=click.IntRange(min=1), default=1000, show_default=True,
              help="How many benches to draw.")  # fmt: skip
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True,
              help="Draws all the benches.")  # fmt: skip
@click.option("--workers", type=click.IntRange(min=1),
              help="Processes at work; by default one a core.")  # fmt: skip
@click.option("--tolerances", metavar="SCALE", type=click.FloatRange(min=0.0), default=1.0,
              show_default=True,
              help="Draw benches from the tolerances of the bench file times this.")  # fmt: skip
@click.option("--scenario", metavar="FILE",
              help="What goes wrong on each bench, and when: a scenario file, or the name of one "
              "that comes along (bad-night).")  # fmt: skip
@click.option("--start", metavar="NAME",
              help="How each bench is found, as for autocell simulate.")  # fmt: skip
@click.option("--only", metavar="INDEX", type=click.IntRange(min=0),
              help="Only bench number INDEX, step by step; no file.")  # fmt: skip
@click.option(
    "--file",
    "campaign",
    metavar="CAMPAIGN.jsonl",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where results go as they come; if it exists, go on from there.",
)
@click.option("--from-belief", "learned_by", metavar="[RUN]", is_flag=False, flag_value=_LAST,
              help="Draw benches from what a proved run of this bench file learned, the last one "
              "unless you name another, and start from it.")  # fmt: skip
@store_option
@click.option("--dask", metavar="ADDRESS",
              help="Send the work to the Dask cluster with this scheduler.")  # fmt: skip
@click.option("--report", metavar="FILE", type=click.Path(dir_okay=False, path_type=Path),
              help="Write a page with figures.")  # fmt: skip
@json_option
@click.pass_obj
def rehearse_change(
    invocation: Invocation,
    passes: int,
    bench: Path,
    benches: int,
    seed: int,
    workers: int | None,
    tolerances: float,
    scenario: str | None,
    start: str | None,
    only: int | None,
    campaign: Path | None,
    learned_by: str | None,
    store: Path | None,
    dask: str | None,
    report: Path | None,
    as_json: bool,
) -> int:
    """Rehearse a change to N passes on many simulated benches.

    Each bench differs from its bench file, within the tolerances that the file states, and has
    effects that the tool does not know of. It ends with how often N passes were reached and
    true, what that took, and how much failure to expect with 95 % confidence. Results depend on
    the seed alone, not on the number of workers. Ctrl-C leaves a file from which it goes on.
    """
    if dask is not None and workers is not None:
        raise click.UsageError("--workers is for this machine; a Dask cluster has its own")
    with keep_interrupts() as interrupts:  # until there is a campaign to go on with
        from autocell_simulators.rehearsal.threads import ONE_THREAD

        # before numpy: a bench replayed here is as it was in a worker
        os.environ.update(ONE_THREAD)
        from autocell_simulators.rehearsal.campaign_file import CampaignFile
        from autocell_simulators.rehearsal.plan import Plan

        from autocell.bench.file import load

        plan = Plan(
            load(bench), passes, seed, tolerances, scenario=_scenario(scenario), start=start
        )
        if learned_by is not None:
            plan = _as_believed(plan, store, None if learned_by == _LAST else learned_by)
        path = campaign or _new_path(invocation, plan)
    if only is not None:
        interrupts.deliver()
        plan.check()
        return _rehearse_one(plan, only, as_json)
    try:
        interrupts.deliver()
        plan.check()  # refused once, not a thousand times
        carry_out = _carry_out(dask, workers)
        file = CampaignFile(path, plan)
        lost: list[Lost] = []
        rehearsals = _rehearse_all(plan, benches, file, carry_out, lost)
    except KeyboardInterrupt:
        _tell_how_to_resume(command(plan, store), benches, CampaignFile(path, plan))
        return _INTERRUPTED
    if rehearsals:
        _print_campaign(plan, command(plan, store), rehearsals, lost, report, as_json)
    if lost:
        _tell_of_lost(command(plan, store), benches, file, lost)
    _say(f"Results: {file.path.absolute()}")
    return 0 if rehearsals else _FAILED


def command(plan: Plan, store: Path | None = None) -> str:
    """The command line that rehearses the same campaign, whatever was proved since."""
    words = [
        *("autocell", "rehearse", "change", str(plan.passes)),
        *("--bench", str(plan.description.path), "--seed", str(plan.seed)),
    ]
    if plan.scale != 1.0:
        words += ["--tolerances", repr(plan.scale)]
    if plan.learned_by is not None:
        words += ["--from-belief", plan.learned_by]
        words += [] if store is None else ["--store", str(store)]
    if plan.scenario is not None:
        words += ["--scenario", plan.scenario.source]
    if plan.start is not None:
        words += ["--start", plan.start]
    return shlex.join(words)


def _scenario(file: str | None) -> Scenario | None:
    if file is None:
        return None
    from autocell_simulators.faults.scenario import load

    from autocell.cli.options import bench_path

    return load(bench_path(file))


def _as_believed(plan: Plan, store: Path | None, run: str | None) -> Plan:
    """Raises UsageError when nothing was learned of this bench file, or not by that run."""
    import dataclasses

    from autocell.errors import UsageError
    from autocell.session.experience import last_experience

    known = last_experience(store, plan.description, run)
    if known is None:
        nobody = "no run" if run is None else f"no run {run}"
        raise UsageError(
            f"{nobody} of {plan.description.path}, as it is now, has proved anything yet: there is "
            "no belief to draw from; leave --from-belief out, or name a run of autocell history"
        )
    experience, learned_by = known
    return dataclasses.replace(plan, learned=experience.learned, learned_by=learned_by)


def _new_path(invocation: Invocation, plan: Plan) -> Path:
    """Beside the run store, under a name that no earlier campaign has."""
    from autocell.records import default_path

    name = f"change-{plan.passes}-{datetime.now(UTC):%Y%m%d-%H%M%S}-{os.getpid()}.jsonl"
    return (invocation.store or default_path()).parent / "rehearsals" / name


def _carry_out(dask: str | None, workers: int | None) -> CarryOut:
    if dask is not None:
        from autocell_simulators.rehearsal.dask_pool import on_dask

        return on_dask(dask)
    from autocell_simulators.rehearsal.processes import cores, in_processes

    return in_processes(workers or cores())


def _rehearse_all(
    plan: Plan, benches: int, file: CampaignFile, carry_out: CarryOut, lost: list[Lost]
) -> list[Rehearsal]:
    from autocell_simulators.rehearsal.campaign import rehearse_all

    from autocell.cli import output
    from autocell.cli.campaign_progress import campaign_shown

    with campaign_shown(output.err()) as progress:
        return rehearse_all(plan, benches, file, carry_out, progress, lost.append)


def _rehearse_one(plan: Plan, index: int, as_json: bool) -> int:
    import dataclasses

    from autocell_simulators.rehearsal.summary import fate
    from rich.text import Text

    from autocell.cli import output
    from autocell.cli.progress import shown

    with shown() as listener:
        rehearsal = plan.rehearse(index, listener)
    if as_json:
        ended = {"ended": fate(rehearsal, plan.passes).value}
        output.print_json(ended | dataclasses.asdict(rehearsal))
        return 0
    table = output.table(gap=3)
    table.add_column(style="dim")
    table.add_column()
    table.add_row("ended", fate(rehearsal, plan.passes).value)
    for name, value in dataclasses.asdict(rehearsal).items():
        if name == "struck":
            value = ", ".join(f"{one['fault']} ×{one['times']}" for one in value) or None
        if value is not None and name != "claims":
            shown_value = f"{value:.6g}" if isinstance(value, float) else str(value)
            table.add_row(name.replace("_", " "), Text(shown_value))
    output.out().print(table)
    return 0


def _print_campaign(
    plan: Plan,
    again: str,
    rehearsals: list[Rehearsal],
    lost: list[Lost],
    report: Path | None,
    as_json: bool,
) -> None:
    from autocell_simulators.rehearsal.summary import summarise
    from autocell_simulators.rehearsal.summary_text import print_summary

    from autocell.cli import output

    summary = summarise(rehearsals, plan.passes, lost)
    replays = [f"{again} --only {rehearsal.index}" for rehearsal in summary.worst]
    if as_json:
        output.print_json({**summary.as_json(), "replay": replays})
    else:
        print_summary(summary, replays, output.out())
    if report is not None:
        _write_report(plan, rehearsals, summary, replays, report)
        _say(f"Report: {report.absolute()}")


def _write_report(
    plan: Plan, rehearsals: list[Rehearsal], summary: Summary, replays: list[str], path: Path
) -> None:
    from autocell_simulators.rehearsal.page import render

    from autocell.errors import StoreError

    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(render(plan, rehearsals, summary, replays), encoding="utf-8")
    except OSError as error:
        raise StoreError(f"{path}: the report cannot be written: {error.strerror}") from error


def _tell_how_to_resume(again: str, benches: int, file: CampaignFile) -> None:
    path = file.path.absolute()
    _say(f"Stopped; {len(file.results)} of {benches} benches are kept in {path}. To go on:")
    _say(f"  {_going_on(again, benches, file)}")


def _tell_of_lost(again: str, benches: int, file: CampaignFile, lost: Sequence[Lost]) -> None:
    from autocell_simulators.rehearsal.summary_text import lost as in_words

    _say(in_words(lost))
    _say(f"  {_going_on(again, benches, file)}")


def _going_on(again: str, benches: int, file: CampaignFile) -> str:
    return f"{again} --benches {benches} --file {shlex.quote(str(file.path.absolute()))}"


def _say(text: str) -> None:
    from autocell.cli import output

    output.say(output.err(), text)
