"""A run as it is read back from the store. SI units; UTC times are aware datetimes."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from autocell.outcome import Outcome, Verdict
from autocell.reading import Reading
from autocell.setting import COORDINATES, Setting

BROKE_OFF = "broke off"
"""The kind of the event that a later run leaves with one that never said how it ended."""

TOLD_TO_END = "told to end"
"""The kind of the event that a run leaves whose process was told to end, so that it is open."""

CLEAR_UP = "clear up"
"""The command of a run that only deals with what the runs before it have left."""


@dataclass(frozen=True)
class RunSummary:
    """One line of the history. ``finished_utc`` is None for a run that never said how it ended."""

    id: str
    command: str
    bench_name: str
    bench_sha256: str
    started_utc: datetime
    finished_utc: datetime | None
    verdict: Verdict | None
    wanted_passes: int | None
    passes: int | None
    proved: bool

    @property
    def finished(self) -> bool:
        """Whether the run said how it ended."""
        return self.finished_utc is not None


@dataclass(frozen=True)
class MoveRecord:
    """A move as intended and, unless the run broke off, as it ended. Positions in m or rad."""

    number: int
    axis: str
    start: float
    target: float
    purpose: str
    intended_s: float
    intended_utc: datetime
    ended_s: float | None
    ended_utc: datetime | None
    position: float | None
    outcome: str | None
    """``arrived``, ``stopped`` or ``failed: why``; None when nobody wrote down how it ended."""


@dataclass(frozen=True)
class Whereabouts:
    """Where an axis was left, by the journal: between ``low`` and ``high`` (m or rad), which are
    one place unless a move was broken off. ``run`` is the run that tells."""

    low: float
    high: float
    run: str


@dataclass(frozen=True)
class AxisMeasurement:
    """What reversals of an axis were measured to lose, m or rad, with which ``hardware`` and in
    which run; ``figures`` are all that was told of it then."""

    backlash: float
    hardware: str
    figures: Mapping[str, Any]
    run: str
    utc: datetime


@dataclass(frozen=True)
class StepCount:
    """What a run believed of an open-loop axis when it last came to rest, on which ``hardware``;
    plain values by name, m or rad."""

    hardware: str
    state: Mapping[str, Any]


@dataclass(frozen=True)
class StepGain:
    """What a step backward of an open-loop axis does beside one forward, with its standard
    uncertainty, on which ``hardware`` and found in which run; ``figures`` are all that was told."""

    backward: float
    backward_u: float
    hardware: str
    figures: Mapping[str, Any]
    run: str


@dataclass(frozen=True)
class ReadingRecord:
    """A reading that was used, and what for."""

    number: int
    reading: Reading
    utc: datetime
    purpose: str


@dataclass(frozen=True)
class EventRecord:
    """Anything else worth telling."""

    number: int
    time_s: float
    utc: datetime
    kind: str
    text: str


@dataclass(frozen=True)
class RunRecord:
    """All that is known of a run. ``bench_text`` is the bench file as it was when it began;
    ``stood`` where its axes stood then, m or rad, as far as it came to look."""

    summary: RunSummary
    arguments: Mapping[str, Any]
    version: str
    bench_path: Path
    bench_text: str | None
    stood: Mapping[str, float]
    moves: tuple[MoveRecord, ...]
    readings: tuple[ReadingRecord, ...]
    events: tuple[EventRecord, ...]
    outcome: Outcome | None

    @property
    def broke_off(self) -> bool:
        """Whether its outcome is what a later run said of it, since it broke off."""
        return any(event.kind == BROKE_OFF for event in self.events)

    @property
    def told_to_end(self) -> bool:
        """Whether its process was told to end in the middle of it, and nobody has come back yet."""
        return self.outcome is None and any(event.kind == TOLD_TO_END for event in self.events)

    @property
    def last_s(self) -> float:
        """When it wrote something down for the last time, s of its bench."""
        times = [reading.reading.time_s for reading in self.readings]
        times += [move.intended_s if move.ended_s is None else move.ended_s for move in self.moves]
        return max([0.0, *times, *(event.time_s for event in self.events)])


def _time(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def summary_of(row: sqlite3.Row) -> RunSummary:
    """The line of the history in this row of ``runs``."""
    return RunSummary(
        id=row["id"],
        command=row["command"],
        bench_name=row["bench_name"],
        bench_sha256=row["bench_sha256"],
        started_utc=datetime.fromisoformat(row["started_utc"]),
        finished_utc=_time(row["finished_utc"]),
        verdict=None if row["verdict"] is None else Verdict(row["verdict"]),
        wanted_passes=row["wanted_passes"],
        passes=row["passes"],
        proved=bool(row["proved"]),
    )


def move_of(row: sqlite3.Row) -> MoveRecord:
    """The move in this row of ``moves``."""
    return MoveRecord(
        number=row["number"],
        axis=row["axis"],
        start=row["start"],
        target=row["target"],
        purpose=row["purpose"],
        intended_s=row["intended_s"],
        intended_utc=datetime.fromisoformat(row["intended_utc"]),
        ended_s=row["ended_s"],
        ended_utc=_time(row["ended_utc"]),
        position=row["position"],
        outcome=row["outcome"],
    )


def whereabouts_of(row: sqlite3.Row) -> Whereabouts:
    """Where the move in this row left its axis: there, if it arrived, else anywhere on its way."""
    if row["outcome"] == "arrived":
        return Whereabouts(row["position"], row["position"], row["run"])
    places = [row[name] for name in ("start", "target", "position") if row[name] is not None]
    return Whereabouts(min(places), max(places), row["run"])


def measurement_of(row: sqlite3.Row) -> AxisMeasurement:
    """The measurement in this row of ``axis_measurements``."""
    return AxisMeasurement(
        backlash=row["backlash"],
        hardware=row["hardware"],
        figures=json.loads(row["figures"]),
        run=row["run"],
        utc=datetime.fromisoformat(row["utc"]),
    )


def step_count_of(row: sqlite3.Row) -> StepCount:
    """What is believed of an axis by this row of ``step_counts``."""
    return StepCount(row["hardware"], json.loads(row["state"]))


def step_gain_of(row: sqlite3.Row) -> StepGain:
    """The gain in this row of ``step_gains``."""
    figures = json.loads(row["figures"])
    return StepGain(row["backward"], row["backward_u"], row["hardware"], figures, row["run"])


def reading_of(row: sqlite3.Row) -> ReadingRecord:
    """The reading in this row of ``readings``."""
    return ReadingRecord(
        number=row["number"],
        reading=Reading(
            setting=Setting(*(row[name] for name in COORDINATES)),
            power_w=row["power_w"],
            uncertainty_w=row["uncertainty_w"],
            samples=row["samples"],
            time_s=row["time_s"],
        ),
        utc=datetime.fromisoformat(row["utc"]),
        purpose=row["purpose"],
    )


def event_of(row: sqlite3.Row) -> EventRecord:
    """The event in this row of ``events``."""
    return EventRecord(
        number=row["number"],
        time_s=row["time_s"],
        utc=datetime.fromisoformat(row["utc"]),
        kind=row["kind"],
        text=row["text"],
    )
