"""A proof that failed is tried again only where another look can change it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from autocell.belief.plateau import Spread
from autocell.procedures.arrival import Prover
from autocell.procedures.edges import Edge

from .conftest import Arrived, a_clear_bench


def expected_elsewhere(edge: Edge) -> Edge:
    away = edge.expected.value - 20.0 * (edge.expected.u + edge.found.u) - 1e-3
    return replace(edge, expected=Spread(away, edge.expected.u, away, away))


def beyond_the_stage(edge: Edge) -> Edge:
    return replace(edge, located=False, beyond_reach=True)


@pytest.mark.parametrize("spoiled", [expected_elsewhere, beyond_the_stage])
def test_an_edge_that_was_not_where_it_was_expected_is_not_asked_about_by_the_height(spoiled):
    """The height was read five times over, to the same end each time."""
    with a_clear_bench() as (there, _):
        assert again(there, there.edges).proof.proved
        low, high = there.edges
        before = len(there.tuning.belief.readings)
        arrival = again(there, (spoiled(low), high))
        assert arrival.steady, "or the edges would be looked for again"
        assert not arrival.proof.proved
        assert len(there.tuning.belief.readings) == before + 1


def again(there: Arrived, edges: tuple[Edge, Edge]):
    prover = Prover(there.tuning, edges, len(there.tuning.belief.readings) - 3, ())
    return prover.prove_again(there.at)
