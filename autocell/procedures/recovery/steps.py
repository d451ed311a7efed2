"""The steps by which a recovery may bring a pattern back, each on a belief of its own."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from autocell.bench.bench import Bench
from autocell.description import BenchDescription
from autocell.errors import NoSuchPattern
from autocell.outcome import AxisMargin
from autocell.patterns import choose_pattern
from autocell.procedures.arrival import Arrival, Prover, arrive, centre_of_plateau
from autocell.procedures.change import how_far_off
from autocell.procedures.edges import Edge
from autocell.procedures.ending import refuse_darkness
from autocell.procedures.progress import Listener
from autocell.procedures.recovery.beam import SideLook, centre_beam, seems_a_speck
from autocell.procedures.recovery.doubts import doubted, remembered
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.recovery.search import BeamSearch, Found
from autocell.procedures.tuning import READING_NOISE, Experience, Tuning
from autocell.procedures.witnesses import witnesses_at_start
from autocell.reading import Reading
from autocell.recovery import Ratio
from autocell.setting import Setting

_AROUND_M = 2e-3
"""How far a plateau is looked for around where it was: as far as a mirror may slip."""

_MOST = 1.05
"""Of the power at the reference setting: more is light of fewer passes."""

_EDGE = 0.08
"""Share of the light that a reading at an edge has at least, and lacks at least."""

_FEWEST = 6
"""Passes of the pattern that is found again most easily."""


@dataclass(frozen=True)
class Reached:
    """Where a step came to, on which belief, and what it saw of the input beam on its way.

    ``edges`` are those of the plateau that it came upon, whatever the beam was moved by later.
    """

    tuning: Tuning
    prover: Prover
    arrival: Arrival
    edges: tuple[Edge, ...]
    looks: tuple[SideLook, ...] = ()


@dataclass
class RecoverySteps:
    """What all steps of one recovery have in common. ``beam`` is the input beam that is thought
    best so far: that of the reference setting, until one is found that stands in the hole.
    ``laser`` is the laser's power over that of the reference run, one where nobody knows."""

    bench: Bench
    reference: ReferenceSetting
    listener: Listener
    rng: np.random.Generator
    beam: Setting
    laser: float = 1.0
    _looked: bool = False
    _found_off: Setting | None = None
    _seen: list[Reading] = field(default_factory=list)

    def recentre(
        self, at: Setting, is_short: Callable[[Reading], bool], *, drifted: bool = False
    ) -> Reached:
        """Where the pattern should be: put a beam that the hole cuts, or that a speck may lie in,
        between the edges, then find both edges of the plateau, led by what the reference run
        learned. Where light is lacking between them and there is more to one side, put the beam
        between its edges all the same.

        ``is_short`` says whether a reading lacks light. With ``drifted`` the beam may stand near
        an edge of the hole even where none is lacking.
        """
        looks: tuple[SideLook, ...] = ()
        reading = self._read_at(at, "where the pattern was")
        if drifted or is_short(reading):
            looks = self._centre(reading, _MOST * self._whole_w, cut_only=True)
            if seems_a_speck(looks):
                looks = self._centre(reading, _MOST * self._whole_w)
            at = self.beam.at_spacing(at.spacing_m)
        experience = remembered(self.reference, at)
        reached = self._arrive(at, at, _AROUND_M, experience, looks, slipped=False)
        one_sided = any(sum(look.brighter) == 1 for look in looks)
        if not one_sided or any(look.shift for look in looks):
            return reached
        short = reached.arrival.proof.proved and is_short(reached.arrival.height.reading)
        return self._aside(reached) if short else reached

    def _aside(self, reached: Reached) -> Reached:
        """The beam between its edges on a plateau that is proved; as it was where that proves
        nothing, or brings no light."""
        before = reached.arrival
        looks = self._centre(before.height.reading, _MOST * self._whole_w)
        if not any(look.shift for look in looks):
            return replace(reached, looks=looks)
        aside = self.beam.at_spacing(before.at.spacing_m)
        prover = reached.prover.with_beam(aside)
        arrival = prover.prove_again(centre_of_plateau(reached.tuning, aside))
        brighter = arrival.height.reading.power_w > before.height.reading.power_w
        if arrival.proof.proved and brighter:
            return replace(reached, prover=prover, arrival=arrival, looks=looks)
        self.beam = before.at
        return replace(reached, arrival=reached.prover.prove_at(before.at))

    def reapproach(self) -> Reached:
        """Forget what is remembered, and look for the plateau as a change does."""
        guess = self.beam.at_spacing(self.reference.setting.spacing_m)
        return self._arrive(guess, guess, self._far(), None, (), slipped=True)

    def search(self) -> Found:
        """Look for a beam that misses the hole, at six passes, or where the pattern was on a bench
        that has no setting of six. When there is light the bench stands where it is."""
        middle = self._six() or self.reference.setting
        found = BeamSearch(self.bench, middle).look()
        if found.light is not None:
            self._found_off = found.light.setting
        return found

    def rebuild(self) -> Reached | None:
        """Go back to six passes, put the beam between its edges there, and set the pattern anew;
        None on a bench that has no setting of six passes. A beam that was found beside the hole is
        taken from there."""
        six = self._six()
        if six is None:
            return None
        reading = self._read_at(self._found_off or six, "back at six passes")
        looks = self._centre(reading, math.inf, should_be=six)
        at = self.bench.setting
        guess = self.beam.at_spacing(self.reference.setting.spacing_m)
        return self._arrive(at, guess, self._far(), None, looks, slipped=True)

    def _six(self) -> Setting | None:
        """Six passes, the beam where in the hole it was when the pattern was proved."""
        try:
            six = choose_pattern(self.bench.description, _FEWEST).setting
        except NoSuchPattern:
            return None
        then = self.reference.setting
        return replace(six, x_m=then.x_m, y_m=then.y_m)

    @property
    def _whole_w(self) -> float:
        """What the pattern would show if nothing but the laser had changed."""
        return self.reference.condition.power_w * self.laser

    def _centre(
        self,
        reading: Reading,
        most_w: float,
        should_be: Setting | None = None,
        *,
        cut_only: bool = False,
    ) -> tuple[SideLook, ...]:
        """Put the beam between its edges, where a side is brighter, with ``cut_only`` only where
        the hole cuts it; from then on it is thought best.
        ``should_be`` is where it would be if nothing had moved it, by default where it was read."""
        self._seen = []
        at, looks = centre_beam(
            self.bench.description,
            self.reference,
            reading,
            self._read_at,
            most_w,
            cut_only=cut_only,
        )
        shift = at.as_array() - (should_be or reading.setting).as_array()
        self.beam = Setting.from_array(self.reference.setting.as_array() + shift)
        self._looked = True
        return looks

    def _arrive(
        self,
        start: Setting,
        guess: Setting,
        reach_m: float,
        experience: Experience | None,
        looks: tuple[SideLook, ...],
        *,
        slipped: bool,
    ) -> Reached:
        reading = self._read_at(start, "reading where the bench stands")
        refuse_darkness(self.bench, reading)  # of no light no share is left to be doubted
        left = reading.power_w / self._whole_w if start is guess else 1.0
        tuning = Tuning(
            self.bench,
            guess,
            self.reference.passes,
            self.listener,
            self.rng,
            experience,
            self._doubted(left, slipped),
        )
        for seen in (reading, *self._at_edges()):
            tuning.belief.update(seen)
        witnesses = witnesses_at_start(tuning)
        prover, arrival = arrive(tuning, guess, reach_m, witnesses)
        return Reached(tuning, prover, arrival, prover.edges, looks)

    def _doubted(self, left: float, slipped: bool) -> BenchDescription:
        shift = self.beam.as_array() - self.reference.setting.as_array()
        off_m = float(np.abs(shift[1:3]).max())
        return doubted(
            self.bench.description,
            self.reference.passes,
            left,
            beam_m=off_m if self._looked or not slipped else None,
            slipped=slipped,
        )

    def _at_edges(self) -> list[Reading]:
        """Of the readings across the hole those that tell where its edges are."""
        best_w = max((reading.power_w for reading in self._seen), default=0.0)
        return [r for r in self._seen if _EDGE < r.power_w / best_w < 1.0 - _EDGE]

    def _read_at(self, setting: Setting, purpose: str) -> Reading:
        self.bench.move_to(setting, purpose)
        reading = self.bench.read_power(purpose, READING_NOISE)
        self._seen.append(reading)
        return reading

    def _far(self) -> float:
        doubts = self._doubted(1.0, slipped=True)
        return how_far_off(doubts, choose_pattern(self.bench.description, self.reference.passes))


def plateau_shift(reference: ReferenceSetting, reached: Reached) -> Ratio | None:
    """By how much the middle of the plateau has moved along the spacing since the reference run,
    m; None where an end of it was not found, then or now."""
    then: AxisMargin | None = reference.margin("spacing")
    edges = reached.edges
    if then is None or then.low is None or then.high is None:
        return None
    if not all(edge.located for edge in edges):
        return None
    middle_then_m = reference.setting.spacing_m + 0.5 * (then.high - then.low)
    middle_now_m = 0.5 * sum(edge.found.value for edge in edges)
    u_then_m = 0.5 * float(np.hypot(then.low_u or 0.0, then.high_u or 0.0))
    u_now_m = 0.5 * float(np.hypot(edges[0].found.u, edges[1].found.u))
    return Ratio(middle_now_m - middle_then_m, float(np.hypot(u_then_m, u_now_m)) + 1e-6)
