"""What an earlier run learned narrows the belief, and gives way to what is read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from autocell.belief.findings import learned
from autocell.belief.memory import Memory
from autocell.belief.model import BenchModel
from autocell.belief.population import Belief

from .conftest import (
    PASSES,
    PEAT_BOG,
    SHIFTS_M,
    TARGET,
    UNKNOWNS,
    a_bench,
    a_model,
    believing,
    beside,
    readings_of,
    shares,
)

OFFSET = UNKNOWNS.index("spacing_offset_m")


def remembering(z, nights: float = 1.0) -> BenchModel:
    """A model that starts from what members ``z`` learned."""
    return BenchModel(PEAT_BOG, max_passes=112, learned=learned(a_model(), z), nights=nights)


@pytest.fixture(scope="module")
def known():
    """A belief that has seen a bench at eight spacings."""
    model = a_model()
    places = [beside(shift) for shift in SHIFTS_M]
    readings = readings_of(model, a_bench(spacing_offset_m=0.6, reflectivity=-0.5), places)
    return believing(model, readings, members=300, sweeps=6)


def test_a_memory_is_wider_than_what_was_learned_and_wider_still_with_every_night(known):
    one, ten = (remembering(known.z, nights).prior.memory for nights in (1.0, 10.0))
    found = np.cov(known.z, rowvar=False)
    assert np.all(np.diag(one.covariance) > np.diag(found))
    assert np.all(np.diag(ten.covariance) >= np.diag(one.covariance))
    drifting = UNKNOWNS.index("slope_x")
    # 0.02 mrad a night of an axis that turns the beam, of 1 mrad of tolerance
    grown = np.diag(ten.covariance - one.covariance)[drifting]
    assert grown == pytest.approx((10 * 0.02) ** 2 - 0.02**2, rel=1e-6)


def test_what_was_learned_comes_back_in_the_same_place(known):
    memory = remembering(known.z).prior.memory
    np.testing.assert_allclose(memory.mean, known.z.mean(axis=0), atol=1e-9)


def test_draws_follow_the_memory_within_the_bench_file(known):
    prior = remembering(known.z).prior
    drawn = prior.draw(4000, np.random.default_rng(1))
    reflectivity = UNKNOWNS.index("reflectivity")
    u = np.sqrt(prior.memory.covariance[reflectivity, reflectivity])
    assert drawn[:, reflectivity].mean() == pytest.approx(prior.memory.mean[reflectivity], abs=u)
    assert drawn[:, reflectivity].std() < 2.0 * u
    assert np.abs(drawn).max() < 1.0 + 6.0 * 0.15


def test_the_density_is_that_of_students_t(known):
    memory = remembering(known.z).prior.memory
    z = memory.mean + np.random.default_rng(2).normal(size=(5, len(memory.mean)))
    expected = stats.multivariate_t(memory.mean, memory.covariance, df=4)
    peak = expected.logpdf(memory.mean)
    np.testing.assert_allclose(memory.log_density(z), expected.logpdf(z) - peak, rtol=1e-9)


def test_a_remembered_bench_is_known_before_the_first_reading(known):
    belief = Belief(remembering(known.z), np.random.default_rng(3), members=300, pioneers=1200)
    plain = Belief(a_model(), np.random.default_rng(3), members=300, pioneers=1200)
    asked = beside(2.4e-3)
    assert max(shares(belief, asked).values()) > max(shares(plain, asked).values())


def test_a_bench_that_was_changed_since_is_met_with_surprise_and_forgotten(known):
    model = remembering(known.z)
    changed = a_bench(spacing_offset_m=-0.9, reflectivity=0.8, log_gain=-0.9)
    readings = readings_of(a_model(), changed, [beside(shift) for shift in SHIFTS_M])
    belief = Belief(model, np.random.default_rng(4), members=300, pioneers=1500, sweeps=4)
    for reading in readings:
        belief.update(reading)
    assert belief.misfit() < 3.5
    true = int(a_model().predict(changed[None, :], (TARGET,)).passes[0, 0])
    assert true == PASSES
    assert shares(belief)[true] > 0.95


def test_what_was_not_unknown_then_is_as_open_as_the_bench_file_leaves_it(known):
    knowledge = learned(a_model(), known.z)
    less = replace(
        knowledge,
        names=knowledge.names[1:],
        mean=knowledge.mean[1:],
        covariance=tuple(row[1:] for row in knowledge.covariance[1:]),
    )
    prior = a_model().prior
    memory = Memory.recalled(less, PEAT_BOG, prior.names, prior.centre, prior.tolerance, 1.0)
    assert memory.mean[0] == 0.0
    assert memory.covariance[0, 0] >= 1.0
    assert np.all(memory.covariance[0, 1:] == 0.0)


def test_a_best_fit_does_not_start_from_a_memory(known):
    with pytest.raises(ValueError, match="forget the memory first"):
        remembering(known.z).prior.gradient(np.zeros(len(UNKNOWNS)))
    assert remembering(known.z).prior.allowing(3.0).memory is None


def test_draws_of_a_memory_are_many_benches_and_as_wide_as_it_is(known):
    prior = remembering(known.z).prior
    drawn = prior.draw(1000, np.random.default_rng(5))
    assert len(np.unique(drawn[:, 0])) == 1000
    # an unknown that the readings told nothing of is as open as its file leaves it: 1/√3
    tilt = drawn[:, UNKNOWNS.index("entrance_tilt_x_rad")]
    assert 0.45 < tilt.std() < 0.7


def test_a_belief_that_forgets_rests_on_its_readings_alone(known):
    """In the mean of some, since each is small."""
    readings = readings_of(a_model(), a_bench(), [beside(shift) for shift in SHIFTS_M[:3]])
    place = UNKNOWNS.index("reflectivity")
    forgetful, alone = [], []
    for seed in range(6, 11):
        belief = Belief(
            remembering(known.z), np.random.default_rng(seed), members=150, pioneers=2400
        )
        for reading in readings:
            belief.update(reading)
        belief.forget()
        assert not belief.remembers
        forgetful.append(belief.z[:, place].std())
        alone.append(believing(a_model(), readings, seed=seed, members=150).z[:, place].std())
    assert np.mean(forgetful) == pytest.approx(np.mean(alone), rel=0.35)
    belief.forget()
    assert len(belief.readings) == 3


def test_half_of_the_members_do_while_a_memory_leads(known):
    led = Belief(remembering(known.z), np.random.default_rng(5), members=400)
    assert len(led.z) == 200
    for reading in known.readings[:2]:
        led.update(reading)
    assert 200 <= len(led.z) < 400
    led.forget()
    assert len(led.z) >= 400
