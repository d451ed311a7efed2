"""The morning report of a bench: from the run store to a page beside it."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from autocell import __version__
from autocell.description import BenchDescription
from autocell.errors import UsageError
from autocell.export import write
from autocell.records import RunRecord, Store
from autocell.report.morning.morning import Morning
from autocell.report.morning.page import render
from autocell.trends.nights import night_of, nights
from autocell.whole_file import put

NIGHTS = 30
"""So many nights are looked back at."""

_RUNS_A_NIGHT = 20
_MOST_RUNS = 10_000


def look_back(
    store: Store,
    bench: BenchDescription,
    now: datetime,
    zone: tzinfo,
    *,
    night: date | None = None,
    most: int = NIGHTS,
    under_way: str | None = None,
) -> Morning:
    """The morning after ``night``, which is by default the last one that was or should have been.

    ``now`` is a moment of the machine's clock, ``zone`` that of the clock on the wall;
    ``under_way`` is the run that somebody is carrying out just now. Raises UsageError for a night
    that this bench had no run before, StoreError.
    """
    summaries = store.runs(bench.sha256, limit=_MOST_RUNS if night else _RUNS_A_NIGHT * most)
    runs = [store.run(summary.id) for summary in reversed(summaries)]
    seen_at = now
    if night is not None:
        runs = [run for run in runs if night_of(run, zone) <= night]
        if not runs:
            raise UsageError(f"this bench has had no run up to the night of {night.isoformat()}")
        seen_at = min(now, datetime.combine(night, time(23, 59), zone) + timedelta(hours=12))
    found = nights(runs, seen_at, zone, most)
    if night is not None:
        found = replace(found, nights=tuple(each for each in found.nights if each.date <= night))
    morning = Morning(
        bench, found, now, zone, __version__, store.path,
        under_way=under_way, other_files=store.with_other_files(bench),
    )  # fmt: skip
    return replace(morning, reference=_reference(morning, store, runs))


def _reference(morning: Morning, store: Store, runs: Sequence[RunRecord]) -> RunRecord | None:
    """What the night is compared with: the reference setting of its recovery, else the last run
    before it that proved the same pass count."""
    if morning.recovery is not None:
        with suppress(UsageError):  # it may have been made with another store
            return store.run(morning.recovery.reference.run)
    passes = None if morning.outcome is None else morning.outcome.passes
    passes = passes or morning.passes
    tonight = {run.summary.id for run in morning.runs}
    before = [
        run
        for run in runs
        if run.summary.id not in tonight and run.summary.proved and run.summary.passes == passes
    ]
    return before[-1] if before else None


def local_zone() -> tzinfo:
    """The time zone of this machine, with its summer time if that can be found out."""
    name = os.environ.get("TZ") or os.path.realpath("/etc/localtime").partition("/zoneinfo/")[2]
    with suppress(ZoneInfoNotFoundError, ValueError, OSError):
        return ZoneInfo(name)
    return datetime.now().astimezone().tzinfo or UTC


def morning_folder(store: Path, bench: BenchDescription) -> Path:
    """Where the morning reports of a bench go unless told otherwise."""
    name = re.sub(r"[^a-z0-9]+", "-", bench.name.lower()).strip("-")[:40]
    return store.absolute().parent / "mornings" / f"{name}-{bench.sha256[:8]}"


def morning_path(store: Path, bench: BenchDescription) -> Path:
    """The page that always shows the last night."""
    return morning_folder(store, bench) / "last-night.html"


def write_morning(morning: Morning, path: Path | None = None, *, newest: bool = True) -> Path:
    """Write the page and, beside it, the runs of the night as JSON; the path of the page.

    Without ``path`` it is kept under its date, and that of the ``newest`` night goes where the last
    night is looked for, too. Raises OSError.
    """
    page = path or morning_path(morning.store, morning.bench)
    page.parent.mkdir(parents=True, exist_ok=True)
    for run in morning.runs:
        data = page.with_name(f"{run.summary.id}.json")
        units = {name: axis.si_unit for name, axis in morning.bench.axes.items()}
        write(run, data, "readings", units)
    content = render(linked(morning, page))
    if path is None and morning.night is not None:
        dated = page.with_name(f"{morning.night.date.isoformat()}.html")
        put(dated, content)
        page = page if newest else dated
    put(page, content)
    return page


def linked(morning: Morning, page: Path) -> Morning:
    """A morning that was written to ``page``, with what lies beside it."""
    return replace(morning, links=_links(morning, page.parent))


def _links(morning: Morning, folder: Path) -> Mapping[str, Sequence[str]]:
    """Report and export of each run of the night, from the folder of the page."""
    links: dict[str, list[str]] = {}
    for run in morning.runs:
        name = run.summary.id
        links[name] = [f"{name}.json"]
        report = morning.store.absolute().parent / "reports" / f"{name}.html"
        if report.exists():
            links[name].insert(0, os.path.relpath(report, folder.absolute()))
    return links
