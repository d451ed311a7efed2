"""Evidence of the pass count beside the power: the interface, and how it enters a proof.

A witness is anything that says something of the pass count or the path: a delay reading, and in the
same way the depth of a known absorption line, a second wavelength, a camera, or a person who
counts spots. It is given what is believed, and answers with how likely its own observation is for
each pass count. It never changes the belief: a second opinion must not be asked to agree first.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from autocell.belief.alternatives import Weighing
from autocell.belief.unknowns import FloatArray
from autocell.optics.trace import trace
from autocell.outcome import Evidence
from autocell.procedures.tuning import Tuning
from autocell.setting import Setting

_BENCHES = 60
"""Benches of each hypothesis: enough for the mean and the spread of a path."""


@dataclass(frozen=True)
class Hypothesis:
    """That the light makes ``passes`` passes at a setting.

    ``z`` (M, D) are the standardised benches that are believed if it does, all equally likely;
    ``path_m`` (M,) is how long that many passes are in each of them.
    """

    passes: int
    z: FloatArray
    path_m: FloatArray


@dataclass(frozen=True)
class SecondOpinion:
    """What a witness says, and whether it speaks for the wanted pass count.

    ``log_likelihood`` is the natural logarithm of how likely the observation is for each pass
    count, up to a constant that is the same for all. A pass count that is not in it is not judged.
    """

    statement: str
    holds: bool
    log_likelihood: Mapping[int, float]


class Witness(Protocol):
    """Something that can tell pass counts apart, ready to be asked."""

    def testify(
        self, tuning: Tuning, at: Setting, hypotheses: Sequence[Hypothesis]
    ) -> SecondOpinion | None:
        """What it says of the light at the setting where the bench stands, the wanted pass count
        being the first hypothesis; None when it has nothing to say.

        May read, but not move. Raises what a reading of the power may raise, unless its own
        instrument fails: that is as if there were none, and is told.
        """
        ...


def further_evidence(
    tuning: Tuning, witnesses: Iterable[Witness], at: Setting, weighing: Weighing
) -> tuple[SecondOpinion, ...]:
    """What the witnesses say where the bench stands, of the wanted pass count and its rivals."""
    hypotheses = hypotheses_at(tuning, at, weighing)
    said = (witness.testify(tuning, at, hypotheses) for witness in witnesses)
    return tuple(piece for piece in said if piece is not None)


def hypotheses_at(tuning: Tuning, at: Setting, weighing: Weighing) -> tuple[Hypothesis, ...]:
    """The wanted pass count, then its rivals, each with benches that it would be true of.

    The benches of a rival lie around the best that its pass count can do, as the members of the
    belief lie around their mean.
    """
    passes = tuning.belief.predict((at,)).passes[:, 0]
    ours = tuning.belief.z[passes == tuning.passes]
    members = (ours if len(ours) else tuning.belief.z)[:_BENCHES]
    around = members - members.mean(axis=0)
    benches = {tuning.passes: members} | {
        rival.passes: rival.z + around for rival in weighing.rivals
    }
    return tuple(
        Hypothesis(count, z, path_after(tuning, z, at, count)) for count, z in benches.items()
    )


def path_after(tuning: Tuning, z: FloatArray, at: Setting, passes: int) -> FloatArray:
    """Length (M,) of so many passes in benches ``z`` (M, D), whether or not light leaves then."""
    cell, beam = tuning.model.cell(z, at)
    return trace(cell, beam, passes).path_length_m[..., passes]


def reweighed(weighing: Weighing, pieces: Sequence[SecondOpinion]) -> Weighing:
    """The rivals with what the witnesses say added to their log odds, the closest first again.

    Witnesses are independent of the power and of each other, so that logarithms add.
    """
    rivals = [
        replace(rival, log_odds=rival.log_odds + sum(_for_ours(rival.passes, weighing, pieces)))
        for rival in weighing.rivals
    ]
    return replace(weighing, rivals=tuple(sorted(rivals, key=lambda rival: rival.log_odds)))


def in_proof(pieces: Sequence[SecondOpinion]) -> tuple[Evidence, ...]:
    """As a proof lists them."""
    return tuple(Evidence(piece.statement, piece.holds) for piece in pieces)


def _for_ours(rival: int, weighing: Weighing, pieces: Sequence[SecondOpinion]) -> Iterable[float]:
    """How much each piece favours the weighed pass count over a rival, in log units."""
    for piece in pieces:
        told = piece.log_likelihood
        if weighing.passes in told and rival in told:
            yield told[weighing.passes] - told[rival]
