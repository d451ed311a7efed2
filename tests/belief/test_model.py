"""How far the model follows the light."""

import numpy as np

from autocell.belief.model import BenchModel

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
