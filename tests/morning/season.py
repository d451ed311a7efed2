"""Nights of a programme on a simulated bench that ages steadily, by the procedures of every day.

    python -m tests.morning.season "change: 62" 20
    python -m tests.morning.season "recover: last" 20

What the morning report of each makes of it stands beside what is true.
"""

from __future__ import annotations

import re
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, ClassVar

from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.director import Entry
from autocell_simulators.faults.fault import Cue, Effect, Fault, Rig
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector
from autocell_simulators.truth import Truth

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load as load_bench
from autocell.bench.file import shipped
from autocell.outcome import Outcome
from autocell.programme.around import Around
from autocell.programme.night import Conductor
from autocell.programme.programme import load
from autocell.programme.wall import VirtualWall
from autocell.records import Store
from autocell.report.morning.advice import advice
from autocell.report.morning.morning import Morning
from autocell.report.morning.rows import trend_rows
from autocell.session.mornings import look_back
from autocell.session.safe import Lines
from tests.morning.invented import HELSINKI

_EVENING = datetime(2026, 10, 20, 15, 0, tzinfo=UTC)
FIRST_EVENING = _EVENING.date()
_DAY_S = 86400.0
_BENCH = "peat-bog-reference"


class Ageing(Fault):
    """The base grows, the launch turns and shifts, and a film settles on both mirrors, by so much a
    night."""

    name: ClassVar = "ageing"
    rows: ClassVar = ()
    spacing_um: float = 0.0
    slope_x_urad: float = 0.0
    x_um: float = 0.0
    film_ppm: float = 0.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """From now on."""

        def change(truth: Truth, time_s: float) -> Truth:
            millionths = 1e-6 * (time_s - cue.time_s) / _DAY_S
            film = self.film_ppm * millionths
            return replace(
                truth,
                spacing_offset_m=truth.spacing_offset_m + self.spacing_um * millionths,
                beam_x_offset_m=truth.beam_x_offset_m + self.x_um * millionths,
                beam_slope_x_offset=truth.beam_slope_x_offset + self.slope_x_urad * millionths,
                entrance_reflectivity=truth.entrance_reflectivity - film,
                far_reflectivity=truth.far_reflectivity - film,
            )

        return Effect(change, steady=False)


@dataclass(frozen=True)
class Played:
    """One night: what came of it, and what was true in its evening, before, and after it."""

    night: date
    outcome: Outcome
    before: dict[str, Any]
    after: dict[str, Any]


@dataclass
class Season:
    """A first evening that sets 62 passes, and the same ``step`` every night after it.

    ``limits_mm`` are those of some axes in place of what the bench file says.
    """

    folder: Path
    step: str
    ageing: Ageing
    seed: int = 5
    limits_mm: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    evening: dict[str, Any] = field(default_factory=dict, init=False)
    """What was true at the end of the first evening."""

    def __post_init__(self) -> None:
        bench = self._bench_file()
        clock = VirtualClock()
        self.description = load_bench(bench)
        self._wall = VirtualWall(clock, _EVENING)
        self.simulated = SimulatedBench(self.description, self.seed, clock, scenario=Scenario())
        self.simulated.begin(Entry(self.ageing))
        self._outcomes: list[Outcome] = []
        self._around = Around(
            self._wall,
            self.folder / "runs.sqlite",
            Lines(lambda: clock, connector(self.simulated), self._wall.utc),
            pages=False,
            ended=self._outcomes.append,
        )
        rest = f"bench: {bench}\ntime_zone: Europe/Helsinki\non_held: go on\n"
        (self.folder / "first.yaml").write_text(
            f"programme: a first evening (invented)\n{rest}steps:\n  - change: 62\n", "utf-8"
        )
        (self.folder / "nights.yaml").write_text(
            f'programme: a season (invented)\n{rest}every_night_at: "03:00"\n'
            f"steps:\n  - {self.step}\n",
            "utf-8",
        )

    def play(self, most: int) -> Iterator[Played]:
        """Night after night, each as it has ended, the first evening not among them."""
        Conductor(load(self.folder / "first.yaml"), self._around).once()
        self.evening = before = self.simulated.truth_report()
        nights = Conductor(load(self.folder / "nights.yaml"), self._around).every_night()
        for _ in range(most):
            night = next(nights)
            after = self.simulated.truth_report()
            yield Played(night, self._outcomes[-1], before, after)
            before = after

    @contextmanager
    def morning(self, after: date | None = None) -> Iterator[Morning]:
        """The morning after a night, by default the last one."""
        with Store.open(self.folder / "runs.sqlite") as store:
            yield look_back(store, self.description, self._wall.utc(), HELSINKI, night=after)

    def _bench_file(self) -> Path:
        """The invented bench, its axes with these limits."""
        whole = shipped(_BENCH)
        if not self.limits_mm:
            return whole
        text = whole.read_text("utf-8")
        for axis, limits in self.limits_mm.items():
            limited = rf"(\n  {axis}:\n.*?limits_mm: )\[[^\]]*\]"
            text, found = re.subn(limited, rf"\g<1>{list(limits)}", text, count=1, flags=re.DOTALL)
            assert found
        path = self.folder / "bench.yaml"
        path.write_text(text, "utf-8")
        dialect = whole.with_name("plain-motion.yaml")
        (self.folder / dialect.name).write_text(dialect.read_text("utf-8"), "utf-8")
        return path


def reflectivity(truth: dict[str, Any]) -> float:
    """Mean of both mirrors, in truth."""
    known = truth["drawn"] | truth["changed"]
    return 0.5 * float(known["entrance_reflectivity"] + known["far_reflectivity"])


def nights_since(first: date, last: date) -> float:
    """From one night to another."""
    return (last - first) / timedelta(days=1)


def main(step: str, nights: int) -> None:
    """Play and print."""
    ageing = Ageing(spacing_um=4.0, slope_x_urad=30.0, film_ppm=50.0)
    print(f"a night: {ageing.model_dump()}")
    with tempfile.TemporaryDirectory() as name:
        season = Season(Path(name), step, ageing)
        for number, played in enumerate(season.play(nights), 1):
            light = played.after["power_fraction"] / season.evening["power_fraction"]
            fell = reflectivity(season.evening) - reflectivity(played.after)
            outcome = played.outcome
            print(
                f"{number:3} {played.night} {outcome.verdict.value:9} {outcome.moves:3} moves; "
                f"true: light {light:.4f}, reflectivity fell {fell:.6f}",
                flush=True,
            )
            with season.morning() as morning:
                for piece in advice(morning):
                    print("     ", piece.text)
        for row in trend_rows(morning):
            print("  ", *(f"{cell:26}" for cell in row))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
