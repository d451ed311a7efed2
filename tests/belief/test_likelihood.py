"""How readings are weighed: merged by setting, with a model error, with heavy tails."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from autocell.belief.likelihood import DEGREES_OF_FREEDOM, MergedReadings, log_student
from autocell.reading import Reading

from .conftest import TARGET, beside

powers = st.floats(1e-6, 1e-2)
noises = st.floats(1e-4, 0.05)


def a_reading(power_w: float, u_w: float, shift_m: float = 0.0) -> Reading:
    return Reading(beside(shift_m), power_w, u_w, 9, 0.0)


@given(st.floats(-1e4, 1e4))
def test_the_tails_are_those_of_students_t(deviation):
    student = stats.t(DEGREES_OF_FREEDOM)
    expected = student.logpdf(deviation) - student.logpdf(0.0)
    assert log_student(np.array(deviation)) == pytest.approx(expected, rel=1e-9, abs=1e-12)


def test_one_bad_reading_costs_a_bounded_amount():
    hundred, thousand = log_student(np.array([100.0, 1000.0]))
    # a Gaussian would charge 5,000 and 500,000
    assert hundred > -25.0
    assert hundred - thousand == pytest.approx((DEGREES_OF_FREEDOM + 1.0) * np.log(10.0), rel=1e-2)


@settings(max_examples=30)
@given(powers, noises, st.integers(2, 200))
def test_a_reading_repeated_at_a_setting_keeps_the_whole_model_error(power_w, noise, times):
    once = MergedReadings.of([a_reading(power_w, noise * power_w)])
    often = MergedReadings.of([a_reading(power_w, noise * power_w)] * times)
    assert often.settings == once.settings == (TARGET,)
    assert often.power_w == pytest.approx(once.power_w)
    model = once.model_sigma(once.power_w, power_w)
    assert model <= often.sigma_w < once.sigma_w
    # JCGM 100:2008, 4.2.3: the mean of n has the variance over n; model error is no noise
    assert often.sigma_w**2 - model**2 == pytest.approx((noise * power_w) ** 2 / times, rel=1e-6)


@settings(max_examples=30)
@given(st.lists(st.tuples(powers, noises), min_size=2, max_size=8))
def test_readings_at_one_setting_merge_to_their_weighted_mean(values):
    power, noise = np.array(values).T
    u = noise * power
    merged = MergedReadings.of([a_reading(p, s) for p, s in zip(power, u, strict=True)])
    assert merged.power_w == pytest.approx([np.average(power, weights=u**-2.0)])


@settings(max_examples=30)
@given(st.permutations(range(5)))
def test_the_order_of_readings_does_not_matter(order):
    shifts = (0.0, 1e-3, 0.0, 2e-3, 1e-3)
    readings = [a_reading(1e-3 * (1 + i), 1e-5, shift) for i, shift in enumerate(shifts)]
    plain, mixed = MergedReadings.of(readings), MergedReadings.of([readings[i] for i in order])
    at = [plain.settings.index(setting) for setting in mixed.settings]
    np.testing.assert_allclose(mixed.power_w, plain.power_w[at])
    np.testing.assert_allclose(mixed.sigma_w, plain.sigma_w[at])


def test_settings_further_apart_than_an_axis_repeats_are_two():
    micrometre = [a_reading(1e-3, 1e-6), a_reading(1e-3, 1e-6, 1e-6)]
    assert len(MergedReadings.of(micrometre).settings) == 1
    ten = [a_reading(1e-3, 1e-6), a_reading(1e-3, 1e-6, 1e-5)]
    assert len(MergedReadings.of(ten).settings) == 2


@given(powers, st.floats(1.0, 10.0), st.floats(1.0, 4.0))
def test_the_model_error_grows_with_the_power_and_the_largest_power(power_w, brighter, factor):
    usual, wider = MergedReadings.of(()), MergedReadings.of((), model_error=factor)
    power = np.array([power_w])
    sigma = usual.model_sigma(power, power_w)
    assert sigma == pytest.approx(power_w * np.hypot(0.006, 0.004))
    assert usual.model_sigma(power, brighter * power_w) >= sigma
    assert usual.model_sigma(np.zeros(1), power_w) == pytest.approx(0.004 * power_w)
    assert wider.model_sigma(power, power_w) == pytest.approx(factor * sigma)


def test_no_reading_says_nothing():
    nothing = MergedReadings.of(())
    assert nothing.largest_w == 0.0
    assert nothing.log_likelihood(np.empty((7, 0))) == pytest.approx(np.zeros(7))


def test_the_likelihood_is_that_of_independent_readings():
    data = MergedReadings.of([a_reading(1e-3, 1e-5), a_reading(2e-3, 1e-5, 1e-3)])
    predicted = np.array([[1.02e-3, 1.9e-3], [1e-3, 2e-3]])
    deviation = (predicted - data.power_w) / data.sigma_w
    student = stats.t(DEGREES_OF_FREEDOM)
    expected = np.sum(student.logpdf(deviation) - student.logpdf(0.0), axis=1)
    np.testing.assert_allclose(data.log_likelihood(predicted), expected, atol=1e-12)
