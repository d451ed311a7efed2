"""Finding the edges of the plateau that the bench stands on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autocell.belief.plateau import Spread
from autocell.procedures.edges import Edge, locate_edge, still_there

from .conftest import TARGET, Arrived, Start


def test_the_edges_are_where_the_true_optics_have_them(arrived: Arrived) -> None:
    truth = arrived.simulated.truth_report()
    low, high = arrived.edges
    assert low.located
    assert high.located
    # the true bench has a stage that tilts and mirrors a little toroidal, of which the belief
    # knows nothing: a few hundredths of a millimetre on a plateau three millimetres wide
    true_low = arrived.at.spacing_m - truth["margin_low_m"]
    true_high = arrived.at.spacing_m + truth["margin_high_m"]
    assert low.found.value == pytest.approx(true_low, abs=1e-4)
    assert high.found.value == pytest.approx(true_high, abs=1e-4)
    assert low.found.value < arrived.at.spacing_m < high.found.value


def test_an_edge_is_sharper_known_after_reading_there(arrived: Arrived) -> None:
    for edge in arrived.edges:
        assert edge.as_expected
        assert edge.found.u <= max(2e-5, 0.03 * 2.0 * abs(edge.found.value - arrived.at.spacing_m))
        near = [
            reading
            for reading in arrived.tuning.belief.readings
            if abs(reading.setting.spacing_m - edge.found.value) < 5e-4
        ]
        assert near
        assert still_there(arrived.tuning, arrived.tuning.scan("spacing", arrived.at), edge)


def spread(value: float, u: float) -> Spread:
    return Spread(value, u, value - 2.8 * u, value + 2.8 * u)


@pytest.mark.parametrize(
    ("found", "located", "as_expected"),
    [
        (spread(0.2150, 1e-5), True, True),
        (spread(0.2150, 1e-5), False, False),  # not sharp enough: it proves nothing
        (spread(0.2170, 1e-5), True, False),  # sharp, and elsewhere
        (Spread.nowhere(), False, False),
    ],
)
def test_an_edge_is_as_expected_when_it_was_found_where_it_was_expected(
    found: Spread, located: bool, as_expected: bool
) -> None:
    assert Edge("low", spread(0.2151, 1e-4), found, located).as_expected is as_expected


def test_an_edge_that_has_moved_since_is_not_there_any_more(arrived: Arrived) -> None:
    low = arrived.edges[0]
    away = spread(low.found.value - 1e-3, 1e-5)
    moved = Edge("low", away, away, True)
    assert moved.as_expected
    assert not still_there(arrived.tuning, arrived.tuning.scan("spacing", arrived.at), moved)


def test_an_edge_that_only_a_memory_knew_so_sharply_is_not_found_yet(start: Start) -> None:
    tuning, _ = start()  # its belief has read nothing, and forgotten whatever it knew
    scan = tuning.scan("spacing", TARGET)
    expected = tuning.plateau_on(scan).low
    edge = Edge("low", expected, replace(expected, u=1e-5), True)
    assert edge.as_expected
    assert expected.u > 1e-4
    assert not still_there(tuning, scan, edge)


@pytest.mark.parametrize("side", ["low", "high"])
def test_an_edge_beyond_the_stage_is_not_looked_for(start: Start, side: str) -> None:
    tuning, _ = start(unknown=("log_gain",))
    plateau = tuning.plateau_around(TARGET)
    # a stage that ends before the plateau does
    scan = tuning.scan()
    if side == "low":
        scan = replace(scan, low=plateau.low.value + 2e-4)
    else:
        scan = replace(scan, high=plateau.high.value - 2e-4)
    edge = locate_edge(tuning, scan, side)
    assert edge.beyond_reach
    assert not edge.located
    assert not edge.as_expected
    assert np.isnan(edge.found.value)
    assert tuning.bench.usage.readings == 0
    assert tuning.bench.usage.moves == 0


def test_an_edge_is_read_even_when_the_belief_is_sure_of_it(start: Start) -> None:
    tuning, _ = start(unknown=("log_gain",))
    edge = locate_edge(tuning, tuning.scan(), "high")
    assert tuning.belief.readings
    assert edge.expected.u == 0.0
