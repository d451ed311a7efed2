"""A reading is worth no more than the place is known where its axes stood."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autocell.belief.misplaced import misplaced_w
from autocell.belief.model import BenchModel
from autocell.belief.population import Belief
from autocell.belief.unknowns import scale_of, unknowns_of
from autocell.reading import Reading
from autocell.setting import Setting
from tests.motion.stepping import stepping

BENCH = stepping()
MODEL = BenchModel(BENCH)
SIX = BENCH.zero.at_spacing(0.5 * BENCH.entrance_mirror.radius_m)


def reading(setting: Setting, **u: float) -> Reading:
    return Reading(setting, 5e-3, 1e-5, 5, 0.0, tuple(u.items()))


@pytest.fixture(scope="module")
def benches() -> np.ndarray:
    return MODEL.prior.draw(100, np.random.default_rng(0))


def test_on_a_flat_plateau_it_costs_nothing(benches: np.ndarray) -> None:
    assert misplaced_w(MODEL, benches, reading(SIX, pitch=1e-4, yaw=1e-4)) < 1e-6


def test_at_an_edge_it_costs_what_the_light_differs_by_on_either_side(benches: np.ndarray) -> None:
    edge = next(
        place
        for turned in np.arange(0.0, 15e-3, 2.5e-4)
        if np.mean(MODEL.predict(benches, (place := _turned(SIX, turned),)).power_w) < 4e-3
    )
    u = 3e-4
    power_w = MODEL.predict(
        benches, [replace(edge, slope_y=edge.slope_y + sign * u) for sign in (1, -1)]
    ).power_w
    expected = np.sqrt(np.mean((0.5 * (power_w[:, 0] - power_w[:, 1])) ** 2))
    assert misplaced_w(MODEL, benches, reading(edge, pitch=u)) == pytest.approx(expected)
    both = misplaced_w(MODEL, benches, reading(edge, pitch=u, yaw=u))
    yaw = misplaced_w(MODEL, benches, reading(edge, yaw=u))
    assert both == pytest.approx(np.hypot(expected, yaw))


def _turned(setting: Setting, by: float) -> Setting:
    return replace(setting, slope_x=setting.slope_x + by, slope_y=setting.slope_y + by)


def test_the_belief_takes_it_in_as_less_and_keeps_the_reading_as_it_was() -> None:
    belief = Belief(MODEL, np.random.default_rng(1), members=100, pioneers=200, sweeps=1)
    doubtful = reading(_turned(SIX, 8e-3), pitch=2e-3, yaw=2e-3)
    sure = replace(doubtful, position_u=())
    belief.update(doubtful)
    assert belief.readings == [doubtful]
    doubted_w = belief.data.sigma_w[0]
    belief.update(replace(sure, setting=_turned(SIX, 7e-3)))
    assert doubted_w > 2.0 * belief.data.sigma_w[1]


def test_what_all_steps_do_alike_is_the_scale_of_the_axis() -> None:
    tolerance = {unknown.name: unknown.tolerance for unknown in unknowns_of(BENCH)}
    assert tolerance[scale_of("pitch")] == 0.2
    assert tolerance[scale_of("horizontal")] == BENCH.axes["horizontal"].scale_tolerance
