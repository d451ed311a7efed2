"""What a user is told of a pass count, and how sure it is."""

from __future__ import annotations

import numpy as np
import pytest

from autocell.belief.unknowns import FloatArray
from autocell.procedures.tuning import REMEMBERED, Tuning

from .conftest import PASSES, TARGET, Start


def some(tuning: Tuning, wanted: int, others: int) -> FloatArray:
    """Members of which so many show 26 passes where the bench file has them, and so many do not
    (wanted + others, D)."""
    drawn = tuning.model.prior.draw(1000, np.random.default_rng(3))
    shows = tuning.model.predict(drawn, (TARGET,)).passes[:, 0] == PASSES
    unknowns = drawn.shape[1]
    return np.concatenate(
        [
            np.resize(drawn[shows], (wanted, unknowns)),
            np.resize(drawn[~shows], (others, unknowns)),
        ]
    )


def claimed(tuning: Tuning, wanted: int, others: int) -> float:
    tuning.belief.z = some(tuning, wanted, others)
    return tuning.probability(TARGET)


def test_a_claim_is_what_so_many_members_can_vouch_for_and_never_certain(start: Start) -> None:
    tuning, _ = start()
    of = 200
    told = [claimed(tuning, wanted, of - wanted) for wanted in range(of + 1)]
    # Jeffreys' rule for a binomial share: (m + 1/2) / (n + 1) [exact]
    assert told == pytest.approx([(wanted + 0.5) / (of + 1.0) for wanted in range(of + 1)])
    assert np.all(np.diff(told) > 0.0)
    assert told[0] > 0.0
    assert told[-1] < 1.0
    # more members of one mind are surer of it, and none of them is certain
    agreed = [claimed(tuning, members, 0) for members in (1, 10, 100, 800)]
    assert np.all(np.diff(agreed) > 0.0)
    assert agreed[-1] < 1.0


@pytest.mark.parametrize("wanted", [0, 20, 99, 101, 180, 200])
def test_the_best_guess_is_that_of_most_members_and_as_sure_as_they_are(
    start: Start, wanted: int
) -> None:
    tuning, _ = start()
    tuning.belief.z = some(tuning, wanted, 200 - wanted)
    counts = {}
    for passes in np.unique(tuning.belief.predict((TARGET,)).passes):
        tuning.passes = int(passes)
        counts[int(passes)] = tuning.probability(TARGET)
    guess, probability = tuning.guess(TARGET)
    assert guess == max(counts, key=lambda passes: counts[passes])
    assert probability == counts[guess]
    # what is claimed of all counts together is all there is, but for half a member each
    assert sum(counts.values()) == pytest.approx((200 + 0.5 * len(counts)) / 201.0)


def test_a_memory_vouches_for_less(start: Start, monkeypatch: pytest.MonkeyPatch) -> None:
    tuning, _ = start()
    monkeypatch.setattr(type(tuning.belief), "remembers", True)
    assert claimed(tuning, 200, 0) == REMEMBERED
    assert tuning.guess(TARGET) == (PASSES, REMEMBERED)
    assert claimed(tuning, 100, 100) == pytest.approx(0.5)
