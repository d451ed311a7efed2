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
    Height,
    compile_proof,
    question_rivals,
    read_height,
    weigh_rivals,
)
from autocell.procedures.tuning import Tuning
from autocell.setting import Setting

_SAME = 1e-5
"""m or rad: settings closer than this are one place on any plateau worth having."""

_ROUNDS = 5
"""How often a proof that failed is tried again with what was learned."""


@dataclass(frozen=True)
class Arrival:
    """Where the bench arrived, how much light is there, and what that proves."""

    at: Setting
    height: Height
    proof: Proof


@dataclass(frozen=True)
class Prover:
    """What a proof on this plateau rests on, wherever on it the bench stands."""

    tuning: Tuning
    edges: tuple[Edge, ...]
    witnesses: Sequence[Witness]

    def prove(self, target: Setting) -> Arrival:
        """Go there, read the height of the plateau, and put together what speaks for the count."""
        tuning = self.tuning
        height = read_height(tuning, target)
        # the proof is about where the bench stands, not where it was sent
        at = tuning.bench.setting
        weighing = weigh_rivals(tuning, at)
        further = further_evidence(tuning, self.witnesses, at, weighing)
        return Arrival(at, height, compile_proof(tuning, at, height, self.edges, weighing, further))

    def settle(self, target: Setting) -> Arrival:
        """Prove the count at a setting on the same plateau that may have another input beam, where
        the edges along the spacing are looked for anew."""
        tuning = self.tuning
        if not apart(target, tuning.beam.at_spacing(target.spacing_m)):
            return self.prove_again(target)
        tuning.beam = target
        scan = tuning.scan("spacing", target)
        edges = tuple(locate_edge(tuning, scan, side) for side in SIDES)
        return replace(self, edges=edges).prove_again(centre_of_plateau(tuning, target))

    def prove_again(self, target: Setting) -> Arrival:
        """Prove a count elsewhere on the plateau where it was proved before."""
        arrival = self.prove(target)
        for _ in range(_ROUNDS - 1):
            if arrival.proof.proved:
                break
            question_rivals(self.tuning, target)
            arrival = self.prove(target)
        return arrival


def arrive(
    tuning: Tuning, guess: Setting, reach_m: float, witnesses: Sequence[Witness]
) -> tuple[Prover, Arrival]:
    """Get onto the wanted plateau, which is within ``reach_m`` of a guess, and try to prove it
    there; what the proof rests on, and how it ended.

    Raises BudgetError when the readings do not show where the plateau is.
    """
    found: dict[Side, Edge] = {}
    for _ in range(_ROUNDS):
        led = tuning.belief.remembers
        inside = approach(tuning, guess, reach_m)
        scan = tuning.scan("spacing", inside)
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
        prover = Prover(tuning, edges, witnesses)
        arrival = prover.prove(centre_of_plateau(tuning, inside))
        if arrival.proof.proved:
            break
    return prover, arrival


def centre_of_plateau(tuning: Tuning, inside: Setting) -> Setting:
    """The middle of the plateau as the belief has it now."""
    plateau = tuning.plateau_around(inside)
    return tuning.at(plateau.centre.value) if plateau.share > 0.5 else inside


def apart(one: Setting, other: Setting) -> bool:
    """Whether two settings are further apart than axes repeat."""
    return bool(np.any(np.abs(one.as_array() - other.as_array()) > _SAME))
