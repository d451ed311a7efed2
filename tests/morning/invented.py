"""Nights that never were, written into a run store: a bench on an invented peat bog whose mirrors
lose reflectivity, were cleaned once, and whose vertical mount creeps towards its end.

Numbers are drawn from a seed; no procedure, no simulated bench and no optics are behind them. It is
for tests and for the picture in the documentation.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from autocell.description import BenchDescription
from autocell.outcome import (
    AxisMargin,
    Evidence,
    Finding,
    Outcome,
    PathLength,
    Proof,
    Verdict,
)
from autocell.reading import Reading
from autocell.records import TOLD_TO_END, RunWriter, Store
from autocell.recovery import AxisTravel, Cause, CauseName, Condition, Ratio, Recovery, Reference

HELSINKI = ZoneInfo("Europe/Helsinki")
FIRST = date(2026, 10, 27)
PASSES = 62
WALKS = {"spacing": 2e-6, "pitch": 8e-6, "yaw": 8e-6, "vertical": 25e-6}
"""What the middle of the plateau does in a night beside its trend, m or rad."""

PROGRAMME = "nights on the peat bog (invented)"


@dataclass
class Story:
    """What happens in which night, counted from 0. ``cleaned`` is the first with clean mirrors."""

    nights: int = 30
    seed: int = 62
    cleaned: int | None = 8
    film: float = 5.2e-5
    window: float = 0.0
    """Share of the light that a window loses in a night more."""
    creep_m: float = 30e-6
    spacing_creep_m: float = 3.5e-6
    narrowing: float = 0.004
    """By what share of its first width every plateau narrows in a night."""
    held: Collection[int] = (12,)
    missed: Collection[int] = (24,)
    hung: Collection[int] = ()
    told_to_end: Collection[int] = ()
    quiet: Collection[int] = (3, 4, 22)
    """Nights in which nothing had to be moved."""
    recoveries: bool = True
    """Whether nights recover; else each changes the pass count to what it was."""
    programme: str | None = PROGRAMME
    began: date = FIRST
    at: time = field(default=time(22, 0))


class Teller:
    """Writes a story down night by night."""

    def __init__(self, path: Path | str, bench: BenchDescription, story: Story) -> None:
        self.bench, self.story = bench, story
        self.now = datetime(2026, 1, 1, tzinfo=UTC)
        self.store = Store.open(path, utc=lambda: self.now)
        self.rng = np.random.default_rng(story.seed)
        self.places = dict.fromkeys(bench.axes, 0.0) | {"spacing": 40e-3, "vertical": 0.2e-3}
        self.reference: Outcome | None = None
        self.reference_night = 0
        self.wander = dict.fromkeys(WALKS, 0.0)

    def tell(self) -> Store:
        """All nights; the store, still open."""
        for night in range(self.story.nights):
            for name, size in WALKS.items():
                self.wander[name] += size * self.rng.standard_normal()
            if night not in self.story.missed:
                self.night(night)
        return self.store

    def night(self, night: int) -> None:
        """The run of one night."""
        story = self.story
        day = story.began + timedelta(days=night)
        self.now = datetime.combine(day, story.at, HELSINKI).astimezone(UTC)
        arguments: dict[str, object] = {"passes": PASSES}
        if story.programme is not None:
            arguments |= {"programme": story.programme, "night": day.isoformat(), "step": 1}
        recovers = story.recoveries and self.reference is not None
        run = self.store.begin(
            "recover" if recovers else "change", self.bench, self.now, "0.1.0", arguments
        )
        run.stood(self.places)
        before = dict(self.places)
        moves = 0 if night in story.quiet and recovers else self.move(run, night)
        if night in story.told_to_end:
            self.later(2.0)
            run.event(5.0, TOLD_TO_END, "stopped: every axis was told to stop (SIGTERM)")
        if night in (*story.hung, *story.told_to_end):
            return
        outcome = self.outcome(night, before, moves, recovers)
        assert outcome.setting is not None
        for k in range(6):
            self.later(2.0)
            power = self.power(night) * (1.0 + 1e-3 * self.rng.standard_normal())
            run.reading(Reading(outcome.setting, power, 4e-6, 8, 40.0 + 2.0 * k), "there")
        if night % 9 == 5:
            run.event(47.0, "metering", "samples thrown away: 9.9E37, during a range change")
        ended = run.finish(outcome)
        if outcome.verdict is not Verdict.HELD and outcome.proof is not None:
            self.reference, self.reference_night = ended, night

    def move(self, run: RunWriter, night: int) -> int:
        """Follow the drift of this night: forth over the plateau, and to its new middle."""
        target = {
            "spacing": 26.08e-3 + self.story.spacing_creep_m * night + self.wander["spacing"],
            "pitch": self.wander["pitch"],
            "yaw": self.wander["yaw"],
            "vertical": 0.2e-3 + self.story.creep_m * night + self.wander["vertical"],
        }
        moves = 0
        for name, place in target.items():
            away = self.half_width(name, night)
            for to in (place - away, place + away, place):
                number = run.move_intended(3.0 * moves, name, self.places[name], to, "edge")
                self.later(3.0)
                if night in self.story.hung and moves == 4:
                    return moves
                run.move_ended(number, 3.0 * moves + 2.0, to, "arrived")
                self.places[name] = to
                moves += 1
        return moves

    def outcome(self, night: int, before: dict[str, float], moves: int, recovers: bool) -> Outcome:
        """What the night came to."""
        held, quiet = night in self.story.held, moves == 0
        verdict = Verdict.HELD if held else Verdict.UNCHANGED if quiet else (
            Verdict.RECOVERED if recovers else Verdict.REACHED
        )  # fmt: skip
        proved = verdict in (Verdict.RECOVERED, Verdict.REACHED)
        reasons = {
            Verdict.HELD: "the light came back too weak to prove anything: 0.4 mW of 3.1 mW",
            Verdict.UNCHANGED: "power and margins are within their limits; nothing was moved",
            Verdict.RECOVERED: "re-centring between the edges brought the light back",
            Verdict.REACHED: "set between the plateau's edges",
        }
        condition = self.condition(night)
        return Outcome(
            verdict=verdict,
            reason=reasons[verdict],
            wanted_passes=PASSES,
            passes=PASSES if proved else None,
            proof=Proof(True, 0.9994, (Evidence("both edges where expected", True),))
            if proved
            else None,
            readings=6,
            moves=moves,
            setting=self.bench.setting(self.places),
            start=self.bench.setting(before),
            path_length=PathLength(14.662 + 2e-4 * self.rng.standard_normal(), 0.042)
            if proved
            else None,
            throughput=self.power(night) / self.bench.laser.power_w if proved else None,
            throughput_u=0.002 if proved else None,
            margins=self.margins(night) if proved else (),
            findings=self.findings(night) if proved else (),
            condition=condition if proved else None,
            recovery=self.recovery(night, before, condition, moves) if recovers else None,
            retries=int(self.rng.poisson(1.5)),
            communication_errors=int(self.rng.poisson(0.4)),
        )

    def recovery(
        self, night: int, before: dict[str, float], after: Condition, moves: int
    ) -> Recovery:
        """What it was compared with, and the cause."""
        assert self.reference is not None
        assert self.reference.condition is not None
        away = night - self.reference_night
        drop = 1.0 if moves == 0 else 0.955 + 0.01 * self.rng.standard_normal()
        seen = self.reference.condition
        found = Condition(
            drop * after.power_w, 4e-6, 1e-9, after.reference_w, 2e-7, after.temperature_c
        )
        cause = None
        if moves:
            cause = Cause(
                CauseName.ALIGNMENT,
                0.97,
                (
                    "the reference meter is steady",
                    "both edges of the plateau have moved by 0.004 mm",
                    "re-centring brought the light back",
                ),
            )
        return Recovery(
            reference=Reference(str(self.reference.run), PASSES, away, seen, 110.0),
            before=found,
            after=after,
            power_before=Ratio(found.power_w / seen.power_w, 0.002),
            power_after=Ratio(after.power_w / seen.power_w, 0.002),
            laser=Ratio(1.0, 0.001),
            margin_nights_left=110.0 - away,
            cause=cause,
            travel=tuple(
                AxisTravel(name, axis.unit, self.places[name] - before[name], 1e-3)
                for name, axis in self.bench.axes.items()
            ),
        )

    def condition(self, night: int) -> Condition:
        """What the meters showed."""
        reference = 80e-6 * (1.0 + 1e-3 * self.rng.standard_normal())
        temperature = 9.0 - 0.15 * night + 0.4 * self.rng.standard_normal()
        power = self.power(night) * (1.0 + 1.5e-3 * self.rng.standard_normal())
        return Condition(power, 4e-6, 1e-9, reference, 2e-7, temperature)

    def reflectivity(self, night: int) -> float:
        """Of both mirrors, in truth."""
        cleaned = self.story.cleaned
        since = night if cleaned is None or night < cleaned else night - cleaned
        clean = 0.9866 if cleaned is None or night >= cleaned else 0.9848
        return clean - self.story.film * since

    def power(self, night: int) -> float:
        """What leaves the cell, W."""
        outside = 0.97 * (1.0 - self.story.window * night)
        return float(self.bench.laser.power_w * outside * self.reflectivity(night) ** (PASSES - 1))

    def findings(self, night: int) -> tuple[Finding, ...]:
        """What the readings told."""
        r = self.reflectivity(night) + 1.2e-4 * self.rng.standard_normal()
        gain = 0.01 * self.rng.standard_normal() - self.story.window * night
        return (
            Finding("reflectivity", "reflectivity", r, 1.4e-4, 0.985, 0.00173),
            Finding("log_gain", "power", gain, 0.012, 0.0, 0.0282),
        )

    def half_width(self, axis: str, night: int) -> float:
        """Half of the plateau along an axis, m or rad."""
        wide = {"spacing": 0.67e-3, "pitch": 13e-3, "yaw": 13e-3, "vertical": 0.9e-3}
        return wide.get(axis, 1.8e-3) * (1.0 - self.story.narrowing * night)

    def margins(self, night: int) -> tuple[AxisMargin, ...]:
        """At the end of a proved night."""
        return tuple(
            AxisMargin(
                name,
                axis.unit,
                half := self.half_width(name, night) * (1.0 + 0.004 * self.rng.standard_normal()),
                half,
                5e-6,
                5e-6,
                axis.overnight_drift,
                located=True,
            )
            for name, axis in self.bench.axes.items()
        )

    def later(self, seconds: float) -> None:
        """Let time go by."""
        self.now += timedelta(seconds=seconds)


def invented_nights(path: Path | str, bench: BenchDescription, story: Story | None = None) -> Store:
    """A store with the nights of a story, still open."""
    return Teller(path, bench, story or Story()).tell()
