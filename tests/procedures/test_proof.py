"""A proof holds only when every piece does, and says which does not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from unittest import mock

import numpy as np
import pytest

from autocell.belief.alternatives import Alternative, Weighing
from autocell.belief.plateau import Spread
from autocell.procedures.edges import Edge
from autocell.procedures.proving import LOG_ODDS_WANTED, Height, compile_proof

from .conftest import PASSES, Arrived

Pieces = tuple[Height, tuple[Edge, Edge], Weighing]


def test_a_bench_on_its_plateau_with_all_its_evidence_is_proved(arrived: Arrived) -> None:
    proof = compile_proof(
        arrived.tuning, arrived.at, arrived.height, arrived.edges, arrived.weighing
    )
    assert arrived.simulated.truth_report()["passes"] == PASSES
    assert proof.proved, [piece.statement for piece in proof.evidence if not piece.holds]
    assert proof.probability >= 0.999
    assert len(proof.evidence) == 6
    assert proof.alternatives == tuple(
        (rival.passes, rival.log_odds) for rival in arrived.weighing.rivals
    )


def test_readings_that_are_left_out_are_said_in_the_proof(arrived: Arrived) -> None:
    belief = arrived.tuning.belief
    assert belief.left == 0
    with mock.patch.object(belief, "left", 4):
        proof = compile_proof(
            arrived.tuning, arrived.at, arrived.height, arrived.edges, arrived.weighing
        )
    assert proof.proved
    words = [piece.statement for piece in proof.evidence]
    assert "the first 4 readings are left out: the light changed after them" in words


def low_edge_elsewhere(height: Height, edges: tuple[Edge, Edge], weighing: Weighing) -> Pieces:
    low, high = edges
    away = low.expected.value - 20.0 * (low.expected.u + low.found.u) - 1e-3
    found = Spread(away, low.found.u, away, away)
    return height, (replace(low, found=found), high), weighing


def high_edge_vague(height: Height, edges: tuple[Edge, Edge], weighing: Weighing) -> Pieces:
    low, high = edges
    return height, (low, replace(high, located=False)), weighing


def high_edge_beyond_stage(height: Height, edges: tuple[Edge, Edge], weighing: Weighing) -> Pieces:
    low, high = edges
    return height, (low, Edge("high", high.expected, Spread.nowhere(), False, True)), weighing


def too_bright(height: Height, edges: tuple[Edge, Edge], weighing: Weighing) -> Pieces:
    # six passes fewer
    power_w = height.reading.power_w * 0.985**-6
    expected = replace(height.expected, u=min(height.expected.u, 0.01 * height.expected.value))
    reading = replace(height.reading, power_w=power_w)
    return replace(height, reading=reading, expected=expected), edges, weighing


def too_dark(height: Height, edges: tuple[Edge, Edge], weighing: Weighing) -> Pieces:
    power_w = height.reading.power_w * 0.985**6
    expected = replace(height.expected, u=min(height.expected.u, 0.01 * height.expected.value))
    reading = replace(height.reading, power_w=power_w)
    return replace(height, reading=reading, expected=expected), edges, weighing


@pytest.mark.parametrize(
    ("spoil", "complaint"),
    [
        (low_edge_elsewhere, "low edge at .* which does not agree"),
        (high_edge_vague, "high edge not located sharply enough"),
        (high_edge_beyond_stage, "high edge not located: it lies beyond the stage"),
        (too_bright, "plateau height .* expected"),
        (too_dark, "plateau height .* expected"),
    ],
)
def test_a_piece_that_fails_is_listed_and_nothing_is_proved(
    arrived: Arrived, spoil: Callable[..., Pieces], complaint: str
) -> None:
    height, edges, weighing = spoil(arrived.height, arrived.edges, arrived.weighing)
    proof = compile_proof(arrived.tuning, arrived.at, height, edges, weighing)
    assert not proof.proved
    (failed,) = [piece.statement for piece in proof.evidence if not piece.holds]
    assert matches(complaint, failed)


def test_light_that_changed_since_the_edges_were_looked_for_proves_nothing(
    arrived: Arrived,
) -> None:
    height = replace(arrived.height, expected=replace(arrived.height.expected, u=1e-9))
    power_w = height.expected.value
    for gain, steady in ((1.0, True), (1.002, True), (1.02, False), (0.98, False)):
        reading = replace(height.reading, power_w=gain * power_w, uncertainty_w=1e-3 * power_w)
        seen = replace(height, reading=reading, sigma_w=0.01 * power_w)
        assert seen.agrees
        assert seen.steady is steady
        proof = compile_proof(arrived.tuning, arrived.at, seen, arrived.edges, arrived.weighing)
        assert proof.proved is steady
        words = proof.evidence[1].statement
        assert words.endswith("since the edges were looked for") is not steady


@pytest.mark.parametrize(("change", "steady"), [(0.0, True), (0.004, True), (0.013, False)])
def test_light_that_the_model_misses_has_not_changed_if_it_was_there_before(
    arrived: Arrived, change: float, steady: bool
) -> None:
    height = replace(arrived.height, expected=replace(arrived.height.expected, u=1e-9))
    power_w = 1.007 * height.expected.value
    reading = replace(height.reading, power_w=power_w, uncertainty_w=2e-3 * power_w)
    seen = replace(height, reading=reading, sigma_w=0.01 * power_w)
    assert not seen.steady
    for sign in (-1.0, 1.0):
        before = replace(reading, power_w=(1.0 + sign * change) * power_w)
        assert replace(seen, before=before).steady is steady


@pytest.mark.parametrize(("misfit", "proved"), [(4.9, True), (5.1, False)])
def test_readings_at_the_edges_that_no_model_bench_explains_prove_nothing(
    arrived: Arrived, misfit: float, proved: bool
) -> None:
    pieces = arrived.tuning, arrived.at, arrived.height, arrived.edges, arrived.weighing
    proof = compile_proof(*pieces, misfit=misfit)
    assert proof.proved is proved
    assert [piece.holds for piece in proof.evidence].count(False) == (not proved)


def test_the_misfit_of_some_readings_is_that_of_their_settings(arrived: Arrived) -> None:
    belief = arrived.tuning.belief
    count = len(belief.readings)
    assert belief.misfit() == max(belief.misfit(since) for since in range(count))
    assert belief.misfit(count) == 0.0


def matches(pattern: str, text: str) -> bool:
    """Whether the parts of ``pattern`` around ``.*`` follow each other in ``text``."""
    place = 0
    for part in pattern.split(".*"):
        place = text.find(part.strip(), place)
        if place < 0:
            return False
    return True


@pytest.mark.parametrize(
    ("odds", "failing"),
    [
        (LOG_ODDS_WANTED + 2.5, 0),
        (LOG_ODDS_WANTED - 0.1, 2),  # by itself, and by what it leaves of the probability
        (0.0, 2),
        (-3.0, 2),
    ],
)
def test_a_close_rival_fails_the_proof_by_its_odds_and_by_the_probability(
    arrived: Arrived, odds: float, failing: int
) -> None:
    rival = Alternative(32, odds, arrived.weighing.z)
    weighing = Weighing(PASSES, arrived.weighing.z, (rival,))
    proof = compile_proof(arrived.tuning, arrived.at, arrived.height, arrived.edges, weighing)
    assert proof.proved is (failing == 0)
    assert sum(not piece.holds for piece in proof.evidence) == failing
    share = arrived.tuning.probability(arrived.at)
    assert proof.probability == pytest.approx(share / (1.0 + np.exp(-odds)))
    assert proof.alternatives == ((32, odds),)
    assert "closest rival, 32 passes" in proof.evidence[-1].statement


def test_without_any_rival_the_proof_says_so(arrived: Arrived) -> None:
    nobody = Weighing(PASSES, arrived.weighing.z, ())
    proof = compile_proof(arrived.tuning, arrived.at, arrived.height, arrived.edges, nobody)
    assert proof.proved
    assert "no other pass count can show" in proof.evidence[-1].statement


def test_certainty_is_never_shown_as_one(arrived: Arrived) -> None:
    nobody = Weighing(PASSES, arrived.weighing.z, ())
    proof = compile_proof(arrived.tuning, arrived.at, arrived.height, arrived.edges, nobody)
    # 800 members cannot vouch for more (Jeffreys): half a member against 801
    assert proof.probability == pytest.approx(1.0 - 0.5 / 801.0)
    assert "probability of 0.999375 " in proof.evidence[0].statement


def test_where_another_pass_count_shows_the_same_evidence_proves_nothing(
    arrived: Arrived,
) -> None:
    six_pass = arrived.at.at_spacing(0.250)
    proof = compile_proof(arrived.tuning, six_pass, arrived.height, arrived.edges, arrived.weighing)
    assert not proof.proved
    assert proof.probability < 0.01


def test_the_height_was_expected_before_it_was_read(arrived: Arrived) -> None:
    height = arrived.height
    assert height.agrees
    assert height.reading in arrived.tuning.belief.readings
    # three standard deviations of expectation and reading together, either way
    room = 3.0 * np.hypot(height.expected.u, height.sigma_w)
    for off, agrees in ((0.99, True), (1.01, False), (-0.99, True), (-1.01, False)):
        reading = replace(height.reading, power_w=height.expected.value + off * room)
        assert bool(replace(height, reading=reading).agrees) is agrees
