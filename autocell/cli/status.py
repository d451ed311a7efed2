"""``autocell status``: what was proved last, and whether the bench still stands there."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from autocell.cli.invocation import Invocation
from autocell.cli.options import bench_option, json_option, store_option

if TYPE_CHECKING:
    from autocell.bench.bench import Bench
    from autocell.description import AxisDescription, BenchDescription
    from autocell.records import RunRecord, RunSummary

_POWER_CHANGED = 0.05
"""Relative change of power beyond which the bench is said to differ from its proof."""


@click.command(short_help="What was proved last, and whether it still stands.")
@bench_option()
@click.option("--offline", is_flag=True, help="Only what the run store knows; open no instrument.")
@store_option
@json_option
@click.pass_obj
def status(
    invocation: Invocation, bench: Path, offline: bool, store: Path | None, as_json: bool
) -> int:
    """Tell the last run, the last proved setting, and whether the bench still agrees with it.

    Reads positions and power (the shutter closes for the dark level); no axis moves.
    """
    from autocell.bench.file import load
    from autocell.cli import output
    from autocell.cli.history import others_in_words
    from autocell.cli.session import looking
    from autocell.records import Store
    from autocell.session.safe import safe_first

    description = load(bench)
    safely = contextlib.nullcontext() if offline else safe_first(description)
    with safely, Store.open(invocation.store) as opened:
        last = next(iter(opened.runs(description.sha256, limit=1)), None)
        proved = opened.last_proved(description.sha256)
        # by name: what broke off must not be overlooked because somebody edited the file since
        unfinished = opened.unfinished(description.name)
        others = opened.with_other_files(description)
    now = None
    if not offline:
        with looking(description, "status") as live:
            now = _look(live, proved)
    if as_json:
        output.print_json(_as_json(description, last, proved, unfinished, now))
    else:
        _print(last, proved, unfinished, now)
        if others:
            output.say(output.err(), others_in_words(others), "dim")
    return 0


@dataclass(frozen=True)
class AxisNow:
    """An axis now and when its pattern was proved, m or rad; None when nothing was."""

    axis: AxisDescription
    position: float
    proved: float | None

    @property
    def agrees(self) -> bool | None:
        """Whether it still stands where it was proved."""
        return None if self.proved is None else abs(self.position - self.proved) <= self.axis.play


@dataclass(frozen=True)
class Now:
    """The bench as it is."""

    axes: tuple[AxisNow, ...]
    power_w: float
    power_u_w: float
    proved_power_w: float | None

    @property
    def power_ratio(self) -> float | None:
        """Power now over power when proved."""
        return None if not self.proved_power_w else self.power_w / self.proved_power_w

    @property
    def agrees(self) -> bool | None:
        """Whether axes and power are as they were proved; None when nothing was."""
        ratio = self.power_ratio
        if ratio is None or any(axis.proved is None for axis in self.axes):
            return None
        return all(axis.agrees for axis in self.axes) and abs(ratio - 1.0) <= _POWER_CHANGED


def _look(bench: Bench, proved: RunRecord | None) -> Now:
    from autocell.trends import recorded

    there = then = None
    if proved is not None and proved.outcome is not None:
        there = recorded.positions(bench.description, proved)
        then = recorded.last_reading(proved, proved.outcome)
    positions = bench.positions()
    axes = tuple(
        AxisNow(axis, positions[name], None if there is None else there[name])
        for name, axis in bench.description.axes.items()
    )
    reading = bench.read_power("status")
    return Now(axes, reading.power_w, reading.uncertainty_w, None if then is None else then[0])


def _print(
    last: RunSummary | None,
    proved: RunRecord | None,
    unfinished: list[RunSummary],
    now: Now | None,
) -> None:
    from autocell.cli import output
    from autocell.report import words

    console = output.out()
    table = output.table(gap=3)
    table.add_column(style="dim", no_wrap=True)
    table.add_column(overflow="fold")
    table.add_row("Last run", "none yet" if last is None else _run_in_words(last))
    if proved is None or proved.outcome is None:
        table.add_row("Last proved", "nothing yet; autocell change N proves a pass count")
    else:
        outcome = proved.outcome
        table.add_row(
            "Last proved",
            f"{outcome.passes} passes, path {words.path_length_in_words(outcome)}, run "
            f"{proved.summary.id}",
        )
        table.add_row("at", words.setting_in_words(outcome.setting))
    for run in unfinished:
        table.add_row(
            "Unfinished",
            f"{run.id}, {run.command}: it has not ended; it was broken off, or is still under way",
        )
    if now is not None:
        _add_now(table, now)
    console.print(table)


def _run_in_words(run: RunSummary) -> str:
    ended = "not finished" if run.verdict is None else run.verdict.value
    wanted = "" if run.wanted_passes is None else f", {run.wanted_passes} passes wanted"
    return f"{run.id}, {run.command}{wanted}: {ended}"


def _add_now(table: Any, now: Now) -> None:
    from autocell.bench.plan import trade
    from autocell.report import words

    for at in now.axes:
        axis, text = at.axis, trade(at.axis, at.position)
        if at.proved is not None:
            apart = (at.position - at.proved) * 1e3
            text += ", as proved" if at.agrees else f", {apart:+.4f} {axis.unit} from where it was"
        table.add_row(axis.name, text)

    power = " ± ".join(words.with_uncertainty(now.power_w * 1e3, now.power_u_w * 1e3)) + " mW"
    if now.power_ratio is not None and now.proved_power_w is not None:
        power += f", {now.power_ratio:.3f} of the {now.proved_power_w * 1e3:.4g} mW when proved"
    table.add_row("Power now", power)
    if now.agrees is not None:
        table.add_row(
            "So",
            "axes and power agree with the last proof"
            if now.agrees
            else "the bench is not as it was proved; its pass count is not known",
        )


def _as_json(
    description: BenchDescription,
    last: RunSummary | None,
    proved: RunRecord | None,
    unfinished: list[RunSummary],
    now: Now | None,
) -> dict[str, Any]:
    from autocell.cli.history import summary_as_json

    outcome = None if proved is None else proved.outcome
    return {
        "bench": description.name,
        "last_run": None if last is None else summary_as_json(last),
        "last_proved": None if outcome is None else outcome.as_json(),
        "unfinished": [run.id for run in unfinished],
        "now": None
        if now is None
        else {
            "axes": [
                {
                    "axis": at.axis.name,
                    "unit": at.axis.si_unit,
                    "position": at.position,
                    "proved": at.proved,
                    "agrees": at.agrees,
                }
                for at in now.axes
            ],
            "power_w": now.power_w,
            "power_u_w": now.power_u_w,
            "power_ratio": now.power_ratio,
            "agrees": now.agrees,
        },
    }
