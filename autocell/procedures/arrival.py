"""Arrive on a plateau: get onto it, find both edges, and prove the pass count between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from autocell.outcome import Proof
from autocell.procedures.approach import approach
from autocell.procedures.edges import SIDES, Edge, Side, locate_edge, still_there
from autocell.procedures.evidence import Witness, further_evidence
from autocell.procedures.proving import (
    MISFIT_ALLOWED,
    Height,
    compile_proof,
    question_rivals,
    read_height,
    weigh_rivals,
)
from autocell.procedures.tuning import Tuning
from autocell.reading import Reading
from autocell.setting import Setting

_SAME = 1e-5
"""m or rad: settings closer than this are one place on any plateau worth having."""

_EDGES_OWN = 0.25
"""Share of a plateau at each end of it where the light may differ from that in its middle."""

_ROUNDS = 5
"""How often a proof that failed is tried again with what was learned."""


@dataclass(frozen=True)
class Arrival:
    """Where the bench arrived, how much light is there, and what that proves. ``steady`` is
    whether the bench seems to be the one on which the edges were looked for."""

    at: Setting
    height: Height
    proof: Proof
    steady: bool = True


@dataclass(frozen=True)
class Prover:
    """What a proof on this plateau rests on, wherever on it the bench stands: edges that were
    looked for from reading number ``since`` on."""

    tuning: Tuning
    edges: tuple[Edge, ...]
    since: int
    witnesses: Sequence[Witness]

    def prove(self, target: Setting) -> Arrival:
        """Go there, read the height of the plateau, and put together what speaks for the count."""
        tuning = self.tuning
        height = read_height(tuning, target, self._read_before(target))
        # the proof is about where the bench stands, not where it was sent
        at = tuning.bench.setting
        weighing = weigh_rivals(tuning, at)
        further = further_evidence(tuning, self.witnesses, at, weighing)
        misfit = tuning.belief.misfit(self.since)
        proof = compile_proof(tuning, at, height, self.edges, weighing, further, misfit)
        return Arrival(at, height, proof, height.steady and misfit <= MISFIT_ALLOWED)

    def _read_before(self, target: Setting) -> Reading | None:
        """The first reading that counts, with the beam of ``target``, well between the edges and
        from before they were looked for. A later one may be from after a change."""
        low, high = (edge.found.value for edge in self.edges)
        room = _EDGES_OWN * (high - low)
        belief = self.tuning.belief
        for reading in belief.readings[belief.left : self.since]:
            spacing_m = reading.setting.spacing_m
            between = low + room < spacing_m < high - room  # never, where one was not found
            if between and not apart(reading.setting, target.at_spacing(spacing_m)):
                return reading
        return None

    def prove_at(self, target: Setting) -> Arrival:
        """Prove the count at a setting on the same plateau that may have another input beam, where
        the edges along the spacing are looked for anew."""
        tuning = self.tuning
        if not apart(target, tuning.beam.at_spacing(target.spacing_m)):
            return self.prove_again(target)
        return self.with_beam(target).prove_again(centre_of_plateau(tuning, target))

    def with_beam(self, target: Setting) -> Prover:
        """The same with another input beam, that of ``target``, where the edges along the spacing
        are looked for now."""
        self.tuning.beam = target
        return self._with_edges_around(target)

    def prove_again(self, target: Setting) -> Arrival:
        """Prove a count elsewhere on the plateau where it was proved before.

        An edge that was not where it was expected stays so, however often the height is read.
        """
        prover, arrival = self, self.prove(target)
        changed = False
        for _ in range(_ROUNDS - 1):
            as_expected = all(edge.as_expected for edge in prover.edges)
            if arrival.proof.proved or (arrival.steady and not as_expected):
                break
            if not arrival.steady:
                if changed:
                    leave_behind(self.tuning, prover.since)
                changed = not changed
                prover = prover._with_edges_around(target)
            question_rivals(self.tuning, target)
            arrival = prover.prove(target)
        return arrival

    def _with_edges_around(self, inside: Setting) -> Prover:
        """The same with edges that are looked for now."""
        since = len(self.tuning.belief.readings)
        scan = self.tuning.scan("spacing", inside)
        edges = tuple(locate_edge(self.tuning, scan, side) for side in SIDES)
        return replace(self, edges=edges, since=since)


def arrive(
    tuning: Tuning, guess: Setting, reach_m: float, witnesses: Sequence[Witness]
) -> tuple[Prover, Arrival]:
    """Get onto the wanted plateau, which is within ``reach_m`` of a guess, and try to prove it
    there; what the proof rests on, and how it ended.

    Raises Undecided when the readings do not show where the plateau is.
    """
    found: dict[Side, Edge] = {}
    since, changed = 0, False
    for _ in range(_ROUNDS):
        led = tuning.belief.remembers
        inside = approach(tuning, guess, reach_m)
        scan = tuning.scan("spacing", inside)
        if not found:
            since = len(tuning.belief.readings)
        for side in SIDES:
            if side not in found or not still_there(tuning, scan, found[side]):
                found[side] = locate_edge(tuning, scan, side)
        edges = tuple(found[side] for side in SIDES)
        tuning.belief.forget()  # a memory leads the way; the proof rests on this run alone
        question_rivals(tuning, centre_of_plateau(tuning, inside))
        if led:  # what was taken for the edges may be those of another plateau
            scan = tuning.scan("spacing", centre_of_plateau(tuning, inside))
            if not all(still_there(tuning, scan, edge) for edge in edges):
                continue
        prover = Prover(tuning, edges, since, witnesses)
        arrival = prover.prove(centre_of_plateau(tuning, inside))
        if arrival.proof.proved:
            break
        if not arrival.steady:
            if changed:
                leave_behind(tuning, since)
            changed = not changed
            found.clear()
    return prover, arrival


def leave_behind(tuning: Tuning, since: int) -> None:
    """Rest on reading number ``since`` and those after it.

    For a height that is off once more after the edges were looked for again: the bench has
    changed under the readings, and what was read before is of another one.
    """
    tuning.belief.leave_behind(since)
    tuning.tell("prove", f"the light has changed: the first {since} readings are left out")


def centre_of_plateau(tuning: Tuning, inside: Setting) -> Setting:
    """The middle of the plateau as the belief has it now."""
    plateau = tuning.plateau_around(inside)
    return tuning.at(plateau.centre.value) if plateau.share > 0.5 else inside


def apart(one: Setting, other: Setting) -> bool:
    """Whether two settings are further apart than axes repeat."""
    return bool(np.any(np.abs(one.as_array() - other.as_array()) > _SAME))
