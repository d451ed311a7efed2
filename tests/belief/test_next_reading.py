"""Which reading to take next."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from autocell.belief.likelihood import MergedReadings
from autocell.belief.next_reading import (
    expected_sigma,
    information,
    most_dividing,
    most_telling,
)

from .conftest import TARGET, a_bench, a_model, beside, readings_of


def test_a_reading_that_all_predict_alike_tells_nothing():
    predicted = np.tile([1e-3, 2e-3], (40, 1))
    answers = np.arange(40) % 3
    assert information(predicted, 1e-5, answers) == pytest.approx([0.0, 0.0], abs=1e-12)


def test_a_question_with_one_answer_has_nothing_left_to_tell():
    predicted = np.random.default_rng(0).normal(1e-3, 1e-4, (40, 2))
    told = information(predicted, 1e-5, np.full(40, 26))
    assert told == pytest.approx([0.0, 0.0], abs=1e-12)


@pytest.mark.parametrize("hypotheses", [2, 3, 5])
def test_equally_likely_answers_far_apart_are_told_apart_entirely(hypotheses):
    answers = np.repeat(np.arange(hypotheses), 20)
    predicted = (1.0 + answers[:, None]) * 1e-3
    # Shannon, Bell Syst. Tech. J. 27, 379 (1948): equally likely alternatives hold log n
    assert information(predicted, 1e-6, answers) == pytest.approx([np.log(hypotheses)], rel=1e-5)


def test_unequal_answers_far_apart_tell_the_entropy():
    answers = np.array([26] * 90 + [32] * 10)
    predicted = np.where(answers == 26, 1e-3, 2e-3)[:, None]
    expected = stats.entropy([0.9, 0.1])
    assert information(predicted, 1e-6, answers) == pytest.approx([expected], rel=1e-5)


@pytest.mark.parametrize("apart", [0.5, 1.0, 2.0, 4.0])
def test_partly_overlapping_answers_tell_about_their_mutual_information(apart):
    answers = np.repeat([0, 1], 50)
    told = information(apart * answers[:, None].astype(float), 1.0, answers)[0]

    def integrand(reading: float) -> float:
        both = stats.norm.pdf(reading, [0.0, apart])
        mean = both.mean()
        return float(np.sum(0.5 * both * np.log(np.maximum(both, 1e-300) / mean)))

    exact, _ = integrate.quad(integrand, -10.0, apart + 10.0, limit=200)
    # an approximation good enough to rank by: reading taken at the prediction, noise doubled
    assert told == pytest.approx(exact, rel=0.25, abs=0.02)


@settings(max_examples=30)
@given(st.integers(0, 10_000), st.floats(0.1, 5.0))
def test_told_is_never_negative_nor_more_than_there_is_and_names_do_not_matter(seed, sigma):
    rng = np.random.default_rng(seed)
    answers = rng.integers(0, 4, 60)
    predicted = rng.normal(0.0, 1.0, (60, 5)) + answers[:, None] * rng.random(5)
    told = information(predicted, sigma, answers)
    entropy = stats.entropy(np.bincount(answers) / 60.0)
    assert np.all(told > -1e-12)
    assert np.all(told <= entropy + 1e-12)
    # other names for the answers, other order of the members, other units of power
    order = rng.permutation(60)
    renamed = np.array([90, 26, 38, 32])[answers]
    again = information(1e-3 * predicted[order], 1e-3 * sigma, renamed[order])
    np.testing.assert_allclose(again, told, rtol=1e-9)


def test_less_noise_tells_more():
    answers = np.repeat([0, 1], 30)
    predicted = np.tile(answers[:, None].astype(float), (1, 3))
    told = [information(predicted, sigma, answers)[0] for sigma in (2.0, 1.0, 0.5, 0.2)]
    assert told == sorted(told)


PLACES = [beside(shift) for shift in (0.0, 1e-3, 2e-3, 3e-3)]


def test_the_most_telling_reading_wins_when_all_cost_the_same():
    told = np.array([0.1, 0.3, 0.6, 0.2])
    assert most_telling(PLACES, told, lambda _: 1.0) == PLACES[2]


def test_a_cheap_reading_that_tells_nearly_as_much_wins_over_a_dear_one():
    told = np.array([0.1, 0.5, 0.6, 0.2])
    cost = {PLACES[0]: 1.0, PLACES[1]: 1.0, PLACES[2]: 3.0, PLACES[3]: 1.0}
    assert most_telling(PLACES, told, cost.__getitem__) == PLACES[1]


def test_a_cheap_reading_that_tells_little_is_not_worth_its_second():
    told = np.array([0.3, 0.0, 0.6, 0.0])
    cost = {PLACES[0]: 1.0, PLACES[1]: 1.0, PLACES[2]: 30.0, PLACES[3]: 1.0}
    assert most_telling(PLACES, told, cost.__getitem__) == PLACES[2]


def test_no_reading_that_tells_next_to_nothing_is_taken():
    assert most_telling(PLACES, np.full(4, 0.019), lambda _: 1.0) is None
    assert most_telling(PLACES, np.full(4, 0.019), lambda _: 1.0, floor=0.0) == PLACES[0]
    assert most_telling([], np.empty(0), lambda _: 1.0) is None


def test_two_benches_are_told_apart_where_their_readings_differ_most():
    model = a_model("spacing_offset_m")
    ours, other = a_bench(), a_bench(spacing_offset_m=0.8)
    data = MergedReadings.of(readings_of(model, ours, (TARGET,)))
    candidates = [beside(1e-4 * i) for i in range(-60, 61)]
    chosen, apart = most_dividing(model, ours, other, data, candidates, 2e-3)
    power = model.predict(np.stack([ours, other]), candidates).power_w
    largest = np.maximum(power.max(), data.largest_w)
    noise = np.hypot(
        np.hypot(0.006 * power.max(axis=0), 0.004 * largest), 2e-3 * largest
    )  # model error and meter, added in quadrature
    differ = np.abs(power[0] - power[1]) / noise
    assert candidates.index(chosen) == np.argmax(differ)
    assert apart == pytest.approx(differ.max())
    assert apart > 20.0


def test_a_bench_cannot_be_told_from_itself():
    model = a_model("spacing_offset_m")
    data = MergedReadings.of(readings_of(model, a_bench(), (TARGET,)))
    _, apart = most_dividing(model, a_bench(), a_bench(), data, PLACES, 2e-3)
    assert apart == 0.0


def test_a_new_reading_is_expected_no_better_than_the_model():
    data = MergedReadings.of(readings_of(a_model(), a_bench(), (TARGET,)))
    power = np.array([0.0, 1e-4, data.largest_w])
    sigma = expected_sigma(data, power, 2e-3)
    assert np.all(sigma > data.model_sigma(power, data.largest_w))
    assert np.all(np.diff(sigma) > 0.0)
