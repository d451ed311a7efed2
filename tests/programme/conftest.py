"""Programmes on a simulated bench, on a virtual clock with a date."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector

from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load as load_bench
from autocell.bench.file import shipped
from autocell.outcome import Learned, Outcome, Proof, Verdict
from autocell.patterns import choose_pattern
from autocell.procedures.progress import Listener, Progress
from autocell.procedures.tuning import Experience
from autocell.programme.around import Around
from autocell.programme.night import Conductor
from autocell.programme.programme import Programme, load
from autocell.programme.wall import VirtualWall
from autocell.records import RunRecord, Store
from autocell.session.safe import Lines

NIGHTS = """
programme: nights (invented)
bench: peat-bog
time_zone: Europe/Helsinki
every_night_at: "22:00"
on_held: go on
steps:
  - change: 62
  - settle_min: 20
  - wait_until: "02:00"
  - {change: 50, skip_if_held: true}
"""

Write = Callable[[str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def to_file(text: str) -> Path:
        path = tmp_path / "programme.yaml"
        path.write_text(text, "utf-8")
        return path

    return to_file


def spoil(store: Path) -> None:
    """Leave something else than a store in its place."""
    for file in store.parent.glob(f"{store.name}*"):
        file.unlink()
    store.write_text("a note about Sphagnum, long enough to be read as a store " * 30)


class Nights:
    """A bench that lives on from night to night; ``held`` are wanted passes that are not proved.

    The procedure behind a change goes to the nominal setting and reads there: what surrounds it is
    tried here, and the real one takes seconds of calculation.
    """

    def __init__(self, programme: Programme, folder: Path, start: datetime) -> None:
        self.programme = programme
        self.clock = VirtualClock()
        self.wall = VirtualWall(self.clock, start)
        self.simulated = SimulatedBench(load_bench(shipped("peat-bog")), 5, self.clock)
        self.store = folder / "runs.sqlite"
        self.told: list[str] = []
        self.doing: list[tuple[float, str]] = []
        self.outcomes: list[Outcome] = []
        self.began: list[datetime] = []
        self.experiences: list[Experience | None] = []
        self.learned: Learned | None = None
        self.held: set[int] = set()
        self.dies_at: int | None = None

    def conductor(self, programme: Programme | None = None) -> Conductor:
        lines = Lines(lambda: self.clock, connector(self.simulated))
        around = Around(
            self.wall, self.store, lines, self._change, pages=False, tell=self.told.append,
            alive=self._alive, ended=self.outcomes.append,
        )  # fmt: skip
        return Conductor(programme or self.programme, around)

    def runs(self) -> list[RunRecord]:
        with Store.open(self.store) as store:
            return [store.run(summary.id) for summary in reversed(store.runs(limit=1000))]

    def nights(self, count: int) -> None:
        """So many nights, by a process that is then told to end."""
        nights = self.conductor().every_night()
        for _ in range(count):
            next(nights)

    def _alive(self, text: str) -> None:
        self.doing.append((self.clock.now(), text))

    def _change(
        self, bench: Bench, passes: int, listener: Listener, experience: Experience | None
    ) -> Outcome:
        self.experiences.append(experience)
        self.began.append(self.wall.utc())
        bench.move_to(choose_pattern(bench.description, passes).setting, "the nominal place")
        reading = bench.read_power("there", max_samples=3)
        listener(Progress("there", "reading", bench.time_s, 1, reading))
        if self.dies_at == len(self.began):
            raise KeyboardInterrupt
        proved = passes not in self.held
        return Outcome(
            Verdict.REACHED if proved else Verdict.HELD,
            "as was to be",
            wanted_passes=passes,
            passes=passes,
            proof=Proof(proved, 1.0),
            setting=bench.setting,
            learned=self.learned,
            telling=(reading.setting,),
        )


EVENING = datetime(2026, 10, 20, 15, 0, tzinfo=UTC)  # 18:00 in Helsinki


@pytest.fixture
def nights(write: Write, tmp_path: Path) -> Nights:
    return Nights(load(write(NIGHTS)), tmp_path, EVENING)
