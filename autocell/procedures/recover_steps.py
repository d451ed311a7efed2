"""The steps by which a recovery may bring a pattern back, each on a belief of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from autocell.bench.bench import Bench
from autocell.errors import NoSuchPattern
from autocell.outcome import AxisMargin
from autocell.patterns import choose_pattern
from autocell.procedures.arrival import Arrival, Prover, arrive
from autocell.procedures.change import how_far_off
from autocell.procedures.ending import refuse_darkness
from autocell.procedures.evidence_delay import DelayWitness
from autocell.procedures.progress import Listener
from autocell.procedures.recover_beam import SideLook, centre_beam
from autocell.procedures.recover_doubts import doubted, remembered
from autocell.procedures.reference import ReferenceSetting
from autocell.procedures.tuning import READING_NOISE, Experience, Tuning
from autocell.reading import Reading
from autocell.recovery import Ratio
from autocell.setting import Setting

_AROUND_M = 2e-3
"""How far a plateau is looked for around where it was: as far as a mirror may slip."""

_FEWEST = 6
"""Passes of the pattern that is found again most easily."""


@dataclass(frozen=True)
class Reached:
    """Where a step came to, on which belief, and what it saw of the input beam on its way."""

    tuning: Tuning
    prover: Prover
    arrival: Arrival
    looks: tuple[SideLook, ...] = ()


@dataclass
class Steps:
    """What all steps of one recovery have in common. ``beam`` is the input beam that is thought
    best so far: that of the reference setting, until one is found that stands in the hole."""

    bench: Bench
    reference: ReferenceSetting
    listener: Listener
    rng: np.random.Generator
    beam: Setting

    def recentre(self, at: Setting, is_short: Callable[[Reading], bool]) -> Reached:
        """Where the pattern should be: put a beam that is cut between the edges, then find both
        edges of the plateau, led by what the reference run learned.

        ``is_short`` says whether a reading lacks light.
        """
        looks: tuple[SideLook, ...] = ()
        reading = self._read_at(at, "where the pattern was")
        if is_short(reading):
            at, looks = self._centre(reading)
        return self._arrive(at, at, _AROUND_M, remembered(self.reference, at), looks)

    def reapproach(self) -> Reached:
        """Forget what is remembered, and look for the plateau as a change does."""
        guess = self.beam.at_spacing(self.reference.setting.spacing_m)
        return self._arrive(self.bench.setting, guess, self._far(), None, ())

    def rebuild(self) -> Reached | None:
        """Go back to six passes, put the beam between its edges there, and set the pattern anew;
        None on a bench that has no setting of six passes."""
        try:
            six = choose_pattern(self.bench.description, _FEWEST).setting
        except NoSuchPattern:
            return None
        reading = self._read_at(six, "back at six passes")
        at, looks = self._centre(reading)
        shift = at.as_array() - six.as_array()
        found = Setting.from_array(self.reference.setting.as_array() + shift)
        guess = found.at_spacing(self.reference.setting.spacing_m)
        return self._arrive(at, guess, self._far(), None, looks)

    def _centre(self, reading: Reading) -> tuple[Setting, tuple[SideLook, ...]]:
        least_gain = self.bench.description.recovery.least_gain
        at, looks = centre_beam(
            self.bench.description, self.reference, reading, self._read_at, least_gain
        )
        return at, looks

    def _arrive(
        self,
        start: Setting,
        guess: Setting,
        reach_m: float,
        experience: Experience | None,
        looks: tuple[SideLook, ...],
    ) -> Reached:
        shifted = bool(looks) and any(look.shift for look in looks)
        description = self.bench.description
        tuning = Tuning(
            self.bench,
            guess,
            self.reference.passes,
            self.listener,
            self.rng,
            experience,
            doubted(description, beam=shifted or experience is None),
        )
        refuse_darkness(tuning, tuning.read_at(start, "survey", "reading where the bench stands"))
        witnesses = DelayWitness.at_start(tuning)
        prover, arrival = arrive(tuning, guess, reach_m, witnesses)
        return Reached(tuning, prover, arrival, looks)

    def _read_at(self, setting: Setting, purpose: str) -> Reading:
        self.bench.move_to(setting, purpose)
        return self.bench.read_power(purpose, READING_NOISE)

    def _far(self) -> float:
        description = self.bench.description
        pattern = choose_pattern(description, self.reference.passes)
        return how_far_off(doubted(description, beam=True), pattern)


def plateau_shift(reference: ReferenceSetting, reached: Reached) -> Ratio | None:
    """By how much the middle of the plateau has moved along the spacing since the reference run,
    m; None where an end of it was not found, then or now."""
    then: AxisMargin | None = reference.margin("spacing")
    edges = reached.prover.edges
    if then is None or then.low is None or then.high is None:
        return None
    if not all(edge.located for edge in edges):
        return None
    middle_then_m = reference.setting.spacing_m + 0.5 * (then.high - then.low)
    middle_now_m = 0.5 * sum(edge.found.value for edge in edges)
    u_then_m = 0.5 * float(np.hypot(then.low_u or 0.0, then.high_u or 0.0))
    u_now_m = 0.5 * float(np.hypot(edges[0].found.u, edges[1].found.u))
    return Ratio(middle_now_m - middle_then_m, float(np.hypot(u_then_m, u_now_m)) + 1e-6)
