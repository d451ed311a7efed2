"""A bench being tuned: moves, readings and the belief, kept in step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocell.belief.model import BenchModel
from autocell.belief.next_reading import expected_sigma
from autocell.belief.plateau import Plateau, find_plateau
from autocell.belief.population import Belief, members_for
from autocell.belief.unknowns import FloatArray
from autocell.bench.bench import Bench
from autocell.description import BenchDescription
from autocell.errors import Undecided
from autocell.optics.sensitivity import PARAMETERS, plateau_margins
from autocell.outcome import Learned
from autocell.procedures.progress import Listener, Progress
from autocell.reading import Reading
from autocell.scan import Scan
from autocell.setting import Setting, coordinates_of

READING_NOISE = 0.002
"""Relative standard uncertainty asked of a reading; less than the model error gains nothing."""

REMEMBERED = 0.9
"""Most that is claimed from a memory: somebody may have worked on the bench since."""

_MOST_SURPRISES = 3
"""Times that the belief may have to start over before the bench file is doubted."""

_SAME = 2e-5
"""m or rad: settings closer than this are one place."""

_SOME = 100
"""Members asked where all of them would be slow and no better."""


BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Way:
    """Where a pattern was proved last: the setting that it ``ended`` at, and the ``telling`` ones,
    at which readings had told it from its rivals."""

    ended: Setting
    telling: tuple[Setting, ...]


@dataclass(frozen=True)
class Experience:
    """What a proved run of the same bench file learned, how many nights ago, and the way that led
    to the wanted pattern before, if any did."""

    learned: Learned
    nights: float
    way: Way | None = None


@dataclass(frozen=True)
class _Found:
    """The plateau that some members were asked for last, along an axis through a setting. A belief
    that has changed has another array of members."""

    members: FloatArray
    asked: tuple[str, Setting]
    plateau: Plateau


class Tuning:
    """One bench on its way to one pattern. ``beam`` carries the input beam of the pattern."""

    def __init__(
        self,
        bench: Bench,
        beam: Setting,
        passes: int,
        listener: Listener,
        rng: np.random.Generator,
        experience: Experience | None = None,
        believed: BenchDescription | None = None,
    ) -> None:
        """``believed`` is the bench file with other tolerances, where its own are in doubt. Where
        there is a way to the pattern, nothing is believed of what was learned at its end."""
        self.bench = bench
        self.beam = beam
        self.passes = passes
        self.rng = rng
        self._listener = listener
        memory = experience if experience is not None and experience.way is None else None
        model = BenchModel(
            believed or bench.description,
            learned=None if memory is None else memory.learned,
            nights=0.0 if memory is None else memory.nights,
        )
        self.telling: list[Setting] = []
        """Where readings were to tell the pattern from rivals."""
        self._found: _Found | None = None
        self.weighed: tuple[FloatArray, ...] = ()
        """The best fit (D,) of each pass count when rivals were weighed last."""
        self.belief = Belief(model, rng, members=members_for(model, beam, passes))

    @property
    def model(self) -> BenchModel:
        """The model of the bench that the belief is about."""
        return self.belief.model

    def tell(
        self, stage: str, text: str, reading: Reading | None = None, *, guess: bool = True
    ) -> None:
        """Report progress, with the best guess at where the bench stands now."""
        passes = probability = None
        if reading is not None and guess:
            passes, probability = self.guess(reading.setting)
        usage = self.bench.usage
        self._listener(
            Progress(stage, text, usage.elapsed_s, usage.readings, reading, passes, probability)
        )

    def read_at(self, setting: Setting, stage: str, purpose: str) -> Reading:
        """Move there, read, and take the reading in.

        Raises Undecided when the readings contradict the bench file for good.
        """
        reading = self._read(setting, stage, purpose)
        self.belief.update(reading)
        if self.belief.surprises > _MOST_SURPRISES:
            raise Undecided(
                "the readings keep contradicting every bench that the bench file allows; one of "
                "its values or tolerances is wrong, or something moves that should not"
            )
        self.tell(stage, purpose, reading)
        return reading

    def note_at(self, setting: Setting, stage: str, purpose: str) -> Reading:
        """Move there and read, for the belief to take in with what is read next."""
        reading = self._read(setting, stage, purpose)
        self.belief.note(reading)
        self.tell(stage, purpose, reading, guess=False)
        return reading

    def _read(self, setting: Setting, stage: str, purpose: str) -> Reading:
        self.tell(stage, f"{purpose}, at {1e3 * setting.spacing_m:.3f} mm")
        self.bench.move_to(setting, purpose)
        return self.bench.read_power(purpose, relative_uncertainty=READING_NOISE)

    def has_read_near(self, settings: Sequence[Setting], within_m: float = _SAME) -> BoolArray:
        """Of each of S settings, whether a reading that counts has its input beam and about its
        spacing, (S,). Another one there says little more: the model is wrong by the same for both.
        """
        there = [reading.setting for reading in self.belief.readings[self.belief.left :]]
        apart = np.abs(coordinates_of(settings)[:, None] - coordinates_of(there)[None])
        near = (apart[..., 0] < within_m) & np.all(apart[..., 1:] < _SAME, axis=-1)
        return np.asarray(near.any(axis=1))

    def guess(self, setting: Setting) -> tuple[int, float]:
        """The most probable pass count at a setting, and its probability."""
        seen = self.belief.predict((setting,)).passes[:, 0]
        counts, members = np.unique(seen, return_counts=True)
        return int(counts[members.argmax()]), self._vouched(int(members.max()), len(seen))

    def probability(self, setting: Setting) -> float:
        """Probability of the wanted pass count at a setting, from the members that have it."""
        seen = self.belief.predict((setting,)).passes[:, 0]
        return self._vouched(int(np.count_nonzero(seen == self.passes)), len(seen))

    def _vouched(self, members: int, of: int) -> float:
        """The probability that so many members can vouch for: Jeffreys' rule for a binomial share.

        With none against it, it stays as far below certainty as there are few of them; and below
        :data:`REMEMBERED` while they rest on an earlier run, which may have known another bench.
        """
        share = (members + 0.5) / (of + 1.0)
        return min(share, REMEMBERED) if self.belief.remembers else share

    def scan(self, axis: str = "spacing", through: Setting | None = None) -> Scan:
        """Settings along an axis, with the input beam of the pattern unless told otherwise."""
        return Scan.along(self.bench.description, axis, self.beam if through is None else through)

    def at(self, spacing_m: float) -> Setting:
        """The pattern's input beam at a spacing, kept within the reach of the stage."""
        return self.scan().at(spacing_m)

    def settings(self, low_m: float, high_m: float, count: int) -> list[Setting]:
        """Evenly spaced settings between two spacings, within the reach of the stage."""
        return self.scan().between(low_m, high_m, count)

    def plateau_around(self, inside: Setting) -> Plateau:
        """Where some of the members have the wanted plateau along the spacing."""
        return self.plateau_on(self.scan("spacing", inside))

    def plateau_on(self, scan: Scan) -> Plateau:
        """Where some of the members have the wanted plateau nearest to where a scan goes through.

        It looks far enough to see both edges: along the spacing plateaus narrow faster than
        1/passes; for the input beam the width is that of the best member.
        """
        members, asked = self.belief.z, (scan.axis.name, scan.through)
        if self._found is None or self._found.members is not members or self._found.asked != asked:
            reach = self._reach_of(scan)
            some = members[:_SOME]
            plateau = find_plateau(self.model, some, scan, self.passes, near=scan.here, reach=reach)
            self._found = _Found(members, asked, plateau)
        return self._found.plateau

    def _reach_of(self, scan: Scan) -> float:
        if scan.axis.name == "spacing":
            return float(np.clip(0.15 / self.passes, 2e-3, 2e-2))
        direction = np.zeros((1, len(PARAMETERS)))
        direction[0, : len(scan.effect)] = scan.effect  # PARAMETERS begin with the setting
        cell, beam = self.model.cell(self.belief.best(1)[0], scan.through)
        margins = plateau_margins(cell, beam, self.passes, direction)
        ends = np.array([-margins.low[0], margins.high[0]])
        known = ends[np.isfinite(ends)]
        return (
            1.6 * float(known.max()) if known.size and known.max() > 0.0 else scan.high - scan.low
        )

    def predicted_power(self, settings: Sequence[Setting]) -> tuple[FloatArray, FloatArray]:
        """Power (M, S) that some of the members predict, and the noise to expect of a reading."""
        power = self.belief.predict(settings, most=_SOME).power_w
        return power, expected_sigma(self.belief.data, power, READING_NOISE)

    def seconds(self, setting: Setting) -> float:
        """What a reading at a setting costs: getting there, settling, averaging."""
        return 1.0 + self.bench.expected_s(setting)
