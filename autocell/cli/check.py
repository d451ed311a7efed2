"""``autocell check``: opens everything, looks at everything, moves no axis."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from autocell.cli.invocation import Invocation
from autocell.cli.options import bench_option, json_option, store_option
from autocell.errors import AutocellError, ReadingError, UsageError

if TYPE_CHECKING:
    from autocell.bench.bench import Bench
    from autocell.description import BenchDescription

Mark = Literal["pass", "note", "FAIL"]


@dataclass(frozen=True)
class Row:
    """One thing that was looked at."""

    what: str
    mark: Mark
    found: str


@click.command(short_help="Open everything and look; no axis moves without --motion.")
@bench_option()
@click.option("--motion", is_flag=True,
              help="Measure what reversals lose, by short moves; asks first.")  # fmt: skip
@click.option("--axis", "axes", metavar="NAME", multiple=True,
              help="With --motion: only this axis; may be given again.")  # fmt: skip
@click.option("--cycles", metavar="K", type=int, default=3, show_default=True,
              help="With --motion: approaches to each target from each side.")  # fmt: skip
@click.option("--yes", is_flag=True, help="With --motion: move without asking.")
@click.option("--dry-run", is_flag=True, help="With --motion: show the moves; move nothing.")
@store_option
@json_option
@click.pass_obj
def check(
    invocation: Invocation,
    bench: Path,
    motion: bool,
    axes: tuple[str, ...],
    cycles: int,
    yes: bool,
    dry_run: bool,
    store: Path | None,
    as_json: bool,
) -> int:
    """Open every instrument of a bench and tell what is found; no axis moves.

    Identities, settings read back, limits against those of the controller, where the axes are,
    the dark level (the shutter closes for it), the power now, and the phase of a delay meter.

    With --motion axes do move, a little and one after the other: what their reversals lose is
    measured from both sides, as the controller reads and by the light, and kept for later runs.
    Then each goes back to where it stood. Ctrl-C stops it at any moment.
    """
    from autocell.bench.file import load
    from autocell.cli import output
    from autocell.session.conduct import outcome_of

    description = load(bench)
    if motion:
        from autocell.cli.check_motion import Wish, check_the_motion

        return check_the_motion(invocation, description, Wish(axes, cycles, yes, dry_run), as_json)
    if axes or yes or dry_run:
        raise UsageError("--axis, --yes and --dry-run belong to check --motion; add --motion")
    rows: list[Row] = []
    code = 0
    try:
        for row in _look(description, invocation):
            rows.append(row)
    except UsageError:
        raise
    except AutocellError as error:
        rows.append(Row("instruments", "FAIL", str(error)))
        code = outcome_of(error).verdict.exit_code
    if any(row.mark == "FAIL" for row in rows):
        code = code or 5
    if as_json:
        told = [{"what": row.what, "mark": row.mark.lower(), "found": row.found} for row in rows]
        output.print_json({"ok": code == 0, "bench": description.name, "checks": told})
    else:
        _print(rows, code)
    return code


def _look(description: BenchDescription, invocation: Invocation) -> Iterator[Row]:
    from autocell.cli.session import looking
    from autocell.records import Store
    from autocell.session.safe import safe_first

    yield Row("bench file", "pass", f"{description.path}, SHA-256 {description.sha256[:12]}…")
    try:
        with safe_first(description):
            opened = Store.open(invocation.store)
        with opened as store:
            yield Row("run store", "pass", str(store.path))
            for name, measured in store.axis_measurements(description.name).items():
                found = f"{measured.figures['finding']} (run {measured.run})"
                yield Row(f"reversal {name}", "note", found)
            for name, gain in store.step_gains(description.name).items():
                found = f"{gain.figures['finding']} (run {gain.run})"
                yield Row(f"steps {name}", "note", found)
    except AutocellError as error:
        yield Row("run store", "FAIL", str(error))
    with looking(description, "check") as bench:
        for name, identity in bench.identities.items():
            yield Row(f"device {name}", "pass", identity)
        yield from _axes(bench)
        for note in bench.notes:
            yield Row("found", "note", note)
        yield from _light(bench)
        for finding in bench.meter_findings:
            yield Row("found", "note", finding)
        yield from _delay(bench)


def _axes(bench: Bench) -> Iterator[Row]:
    from autocell.bench.plan import trade
    from autocell.bench.trust import Trust

    trust = bench.trust()
    positions = bench.positions()
    estimated, lost = bench.estimated(), bench.lost()
    for name, axis in bench.description.axes.items():
        at = positions[name]
        u = bench.open_loop.u.get(name)
        doubt = "" if u is None else f" by its steps, standard uncertainty {trade(axis, u)}"
        limits = f"limits {axis.low * 1e3:g} to {axis.high * 1e3:g} {axis.unit}"
        text = f"at {trade(axis, at)}{doubt}, {limits}"
        if trust[name] is Trust.LOST:
            yield Row(f"axis {name}", "FAIL", f"{text}; {lost[name].removeprefix(f'{name}: ')}")
        elif trust[name] is Trust.ESTIMATED:
            yield Row(f"axis {name}", "note", f"{text}; {estimated[name]}")
        elif not axis.low - axis.repeatability <= at <= axis.high + axis.repeatability:
            yield Row(f"axis {name}", "FAIL", f"{text}: beyond its limits")
        else:
            yield Row(f"axis {name}", "pass", text)


def _light(bench: Bench) -> Iterator[Row]:
    from autocell.report import words

    dark = bench.measure_dark()
    level = " ± ".join(words.with_uncertainty(dark.power_w * 1e6, dark.uncertainty_w * 1e6))
    if bench.description.shutter is None:
        yield Row(
            "dark level", "note", f"no shutter; taken as zero, ± {dark.uncertainty_w * 1e6:.2g} µW"
        )
    else:
        yield Row("dark level", "pass", f"{level} µW, shutter closed, {dark.samples} samples")
    reading = bench.read_power("check")
    power = " ± ".join(words.with_uncertainty(reading.power_w * 1e3, reading.uncertainty_w * 1e3))
    spacing = f"at {reading.setting.spacing_m * 1e3:.3f} mm nominal spacing"
    if reading.power_w > 5.0 * reading.uncertainty_w:
        yield Row("power now", "pass", f"{power} mW {spacing}")
    else:
        cure = "no light above the dark level; is the laser on, and the input beam in the hole?"
        yield Row("power now", "FAIL", f"{power} mW {spacing}: {cure}")


def _delay(bench: Bench) -> Iterator[Row]:
    from autocell.report import words

    meter = bench.description.delay_meter
    if meter is None:
        return
    try:
        reading = bench.read_phase("check")
    except ReadingError as error:
        yield Row("delay now", "FAIL", str(error))
        return
    phase = " ± ".join(words.with_uncertainty(reading.phase_rad, reading.uncertainty_rad))
    modulation = f"{meter.modulation_hz * 1e-6:g} MHz"
    yield Row("delay now", "pass", f"phase {phase} rad at {modulation}; only its changes count")


def _print(rows: list[Row], code: int) -> None:
    from rich.text import Text

    from autocell.cli import output

    console = output.out()
    styles = {"pass": "green", "note": "cyan", "FAIL": "bold red"}
    table = output.table()
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for row in rows:
        table.add_row(Text(row.mark, style=styles[row.mark]), row.what, Text(row.found))
    console.print(table)
    console.print()
    verdict = "All is well; nothing was moved." if code == 0 else "Not ready; nothing was moved."
    console.print(Text(verdict, style="green" if code == 0 else "red"))
