"""How far the model follows the light, and how many such models a belief needs."""

from dataclasses import replace

import numpy as np
import pytest

from autocell.belief.findings import learned
from autocell.belief.model import BenchModel
from autocell.belief.population import members_for

from .conftest import PEAT_BOG, TARGET


def test_light_is_followed_until_too_little_of_it_is_left():
    model = BenchModel(PEAT_BOG)
    benches = model.prior.draw(400, np.random.default_rng(7))
    beyond = [TARGET.at_spacing(1e-3 * spacing) for spacing in (238.5, 242.356)]
    to_the_end = BenchModel(PEAT_BOG, max_passes=3000).predict(benches, beyond)
    followed = model.predict(benches, beyond)
    np.testing.assert_allclose(
        followed.light_w, to_the_end.light_w, atol=0.002 * PEAT_BOG.lossless_reading_w
    )
    # there some of these benches show more passes than twice those of the pattern and sixty
    broken_off = BenchModel(PEAT_BOG, max_passes=2 * 26 + 60).predict(benches, beyond)
    missing = to_the_end.light_w - broken_off.light_w
    assert np.max(missing) > 0.02 * PEAT_BOG.lossless_reading_w


def test_population_grows_where_few_benches_have_the_pattern_where_it_is_sought():
    usual = members_for(BenchModel(PEAT_BOG), TARGET, 26)
    assert usual == 1600
    unsure = BenchModel(replace(PEAT_BOG, spacing_tolerance_m=6e-3))
    grown = members_for(unsure, TARGET, 26)
    benches = unsure.prior.draw(4000, np.random.default_rng(1))
    share = np.mean(unsure.predict(benches, (TARGET,)).passes == 26)
    assert 0.2 < share < 0.3
    # as the cube of how few there are, beside the two fifths with which 1600 do
    assert grown == pytest.approx(1600 * (0.4 / share) ** 3, rel=0.2)
    # and never more than a machine can follow
    lost = BenchModel(replace(PEAT_BOG, spacing_tolerance_m=2e-2))
    assert members_for(lost, TARGET, 26) == 12000
    # nothing to find is no reason to grow
    assert members_for(unsure, TARGET, 28) == usual


def test_a_population_that_starts_from_a_memory_is_as_large_as_one_that_has_forgotten_it():
    """It forgets on the way, and then needs as many as any other."""
    unsure = BenchModel(replace(PEAT_BOG, spacing_tolerance_m=6e-3))
    sure = learned(unsure, 0.02 * unsure.prior.draw(200, np.random.default_rng(2)))
    led = BenchModel(unsure.bench, learned=sure)
    remembered = led.prior.draw(200, np.random.default_rng(3))
    assert np.mean(led.predict(remembered, (TARGET,)).passes == 26) > 0.9
    assert members_for(led, TARGET, 26) == members_for(unsure, TARGET, 26) > 1600
