"""Which witnesses of the pass count there are: whatever has to prove one asks here."""

from __future__ import annotations

from autocell.procedures.evidence import Witness
from autocell.procedures.evidence_delay import DelayWitness
from autocell.procedures.tuning import Tuning


def witnesses_at_start(tuning: Tuning) -> tuple[Witness, ...]:
    """All that this bench has, each having read what it needs where the bench stands.

    Raises what a reading of the power may raise.
    """
    return (*DelayWitness.at_start(tuning),)
