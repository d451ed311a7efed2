"""A bench being tuned: moves, readings and the belief, kept in step."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from autocell.belief.likelihood import Evidence
from autocell.belief.model import BenchModel
from autocell.belief.next_reading import expected_sigma
from autocell.belief.plateau import Plateau, find_plateau
from autocell.belief.population import Belief
from autocell.belief.unknowns import FloatArray
from autocell.bench.bench import Bench
from autocell.errors import BudgetError
from autocell.patterns import spacing_reach
from autocell.procedures.progress import Listener, Progress
from autocell.reading import Reading
from autocell.setting import Setting

READING_NOISE = 0.002
"""Relative standard uncertainty asked of a reading; less than the model error gains nothing."""

_MOST_SURPRISES = 3
"""Times that the belief may have to start over before the bench file is doubted."""

_SOME = 100
"""Members asked where all of them would be slow and no better."""


class Tuning:
    """One bench on its way to one pattern. ``beam`` carries the input beam of the pattern."""

    def __init__(
        self,
        bench: Bench,
        beam: Setting,
        passes: int,
        listener: Listener,
        rng: np.random.Generator,
    ) -> None:
        self.bench = bench
        self.beam = beam
        self.passes = passes
        self.rng = rng
        self._listener = listener
        model = BenchModel(bench.description, max_passes=2 * passes + 60)
        self.belief = Belief(model, rng)
        self.low_m, self.high_m = spacing_reach(bench.description)

    @property
    def model(self) -> BenchModel:
        """The model of the bench that the belief is about."""
        return self.belief.model

    @property
    def evidence(self) -> Evidence:
        """What has been read so far."""
        return self.belief.evidence

    def tell(self, stage: str, text: str, reading: Reading | None = None) -> None:
        """Report progress, with the best guess at where the bench stands now."""
        passes = probability = None
        if reading is not None:
            passes, probability = self.guess(reading.setting)
        usage = self.bench.usage
        self._listener(
            Progress(stage, text, usage.elapsed_s, usage.readings, reading, passes, probability)
        )

    def read_at(self, setting: Setting, stage: str, purpose: str) -> Reading:
        """Move there, read, and take the reading in.

        Raises BudgetError when the readings contradict the bench file for good.
        """
        self.tell(stage, f"{purpose}, at {1e3 * setting.spacing_m:.3f} mm")
        self.bench.move_to(setting, purpose)
        reading = self.bench.read_power(purpose, relative_uncertainty=READING_NOISE)
        self.belief.update(reading)
        if self.belief.surprises > _MOST_SURPRISES:
            raise BudgetError(
                "the readings keep contradicting every bench that the bench file allows; one of "
                "its values or tolerances is wrong, or something moves that should not"
            )
        self.tell(stage, purpose, reading)
        return reading

    def guess(self, setting: Setting) -> tuple[int, float]:
        """The most probable pass count at a setting, and its probability among the members."""
        seen = self.belief.predict((setting,)).passes[:, 0]
        counts, members = np.unique(seen, return_counts=True)
        return int(counts[members.argmax()]), float(members.max() / len(seen))

    def probability(self, setting: Setting) -> float:
        """Share of the members that have the wanted pass count at a setting."""
        return float(np.mean(self.belief.predict((setting,)).passes[:, 0] == self.passes))

    def at(self, spacing_m: float) -> Setting:
        """The pattern's input beam at a spacing, kept within the reach of the stage."""
        return self.beam.at_spacing(float(np.clip(spacing_m, self.low_m, self.high_m)))

    def settings(self, low_m: float, high_m: float, count: int) -> list[Setting]:
        """Evenly spaced settings between two spacings, within the reach of the stage."""
        low, high = max(low_m, self.low_m), min(high_m, self.high_m)
        return [self.beam.at_spacing(float(d)) for d in np.linspace(low, high, count)]

    def plateau_around(self, inside: Setting) -> Plateau:
        """Where some of the members have the wanted plateau nearest to a setting.

        It looks far enough to see both edges: plateaus narrow faster than 1/passes.
        """
        reach_m = float(np.clip(0.15 / self.passes, 2e-3, 2e-2))
        some = self.belief.z[:_SOME]
        return find_plateau(self.model, some, inside, self.passes, reach_m=reach_m)

    def predicted_power(self, settings: Sequence[Setting]) -> tuple[FloatArray, FloatArray]:
        """Power (M, S) that some of the members predict, and the noise to expect of a reading."""
        power = self.belief.predict(settings, most=_SOME).power_w
        return power, expected_sigma(self.evidence, power, READING_NOISE)

    def seconds(self, setting: Setting) -> float:
        """What a reading at a setting costs: getting there, settling, averaging."""
        moves = self.bench.plan(setting)
        return 1.0 + max((move.expected_s for move in moves), default=0.0)
