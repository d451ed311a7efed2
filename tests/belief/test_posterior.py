"""What must hold of the belief whatever is read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autocell.belief.alternatives import weigh
from autocell.belief.model import BenchModel
from autocell.belief.population import Belief, forgotten
from autocell.reading import Reading
from autocell.setting import Setting

from .conftest import (
    PEAT_BOG,
    SHIFTS_M,
    TARGET,
    UNKNOWNS,
    a_belief,
    a_bench,
    a_model,
    believing,
    beside,
    readings_of,
    shares,
)

ORDERED_M = (0.0, -1.6e-3, 1.2e-3)
"""The middle of the plateau of 26 passes and both its edges, on a bench that is off a little."""

OFFSET = UNKNOWNS.index("spacing_offset_m")
few = settings(max_examples=5)
seeds = st.integers(0, 1000)


def drawn_readings(model: BenchModel, seed: int, count: int = 4) -> list[Reading]:
    """Readings of a bench drawn from the prior, with noise."""
    rng = np.random.default_rng(seed)
    bench = model.prior.draw(1, rng)[0]
    return readings_of(model, bench, [beside(shift) for shift in SHIFTS_M[:count]], rng)


@few
@given(seeds)
def test_what_members_show_and_weigh_is_finite_whatever_is_read(seed):
    model = a_model()
    belief = a_belief(model, seed)
    for reading in [None, *drawn_readings(model, seed)]:
        if reading is not None:
            belief.update(reading)
        for at in (TARGET, beside(2e-3)):
            assert min(shares(belief, at)) >= 0
        seen = belief.predict((TARGET, beside(2e-3)))
        assert np.all((seen.purity >= 0.0) & (seen.purity <= 1.0 + 1e-12))
        assert np.all(np.isfinite(belief.z))
        assert np.all(np.isfinite(belief.log_posterior))
    assert len(belief.z) == 150


def mean_and_error(belief, index: int = OFFSET) -> tuple[float, float]:
    """Mean of an unknown and its sampling error, as if a fifth of the members were independent."""
    values = belief.z[:, index]
    return float(values.mean()), float(values.std() / np.sqrt(len(values) / 5.0))


def agree(one: Belief, other: Belief, pairs: dict[str, str]) -> None:
    """Two populations stand for one posterior: mean and width of each unknown (and of what it is
    called in the other) are equal, as if a fifth of the members were independent."""
    independent = len(one.z) / 5.0
    for name, called in pairs.items():
        here, there = one.z[:, UNKNOWNS.index(name)], other.z[:, UNKNOWNS.index(called)]
        error = np.hypot(here.std(), there.std()) / np.sqrt(independent)
        assert abs(here.mean() - there.mean()) < 4.0 * error, name
        # a standard deviation of n is known to 1/√(2 n), and here two are compared
        assert abs(np.log(here.std() / there.std())) < 4.0 / np.sqrt(independent), name


@pytest.mark.parametrize("order", [(1, 0), (2, 0, 1), (1, 2, 0)])
def test_the_order_of_readings_changes_nothing_beyond_sampling_error(order):
    """As many readings as unknowns, each of which knows something that the others do not: the
    height of the plateau, its low edge, its high edge. Whichever counted for less because of when
    it was read would leave its number more open than it is."""
    names = ("spacing_offset_m", "log_gain", "slope_y")[: len(order)]
    model = a_model(*names)
    bench = a_bench(spacing_offset_m=0.3, log_gain=-0.4, slope_y=0.2 * (len(order) > 2))
    places = [beside(shift) for shift in ORDERED_M[: len(order)]]
    readings = readings_of(model, bench, places, noise=5e-3)
    plain = believing(model, readings, 1, members=1000, sweeps=10)
    mixed = believing(model, [readings[i] for i in order], 2, members=1000, sweeps=10)
    agree(plain, mixed, {name: name for name in names})


@few
@given(seeds, st.sampled_from([-10, 10]))
def test_the_unit_of_power_changes_nothing(seed, exponent):
    factor = 2.0**exponent  # a power of two: no rounding comes in
    model = a_model()
    laser = replace(PEAT_BOG.laser, power_w=PEAT_BOG.laser.power_w * factor)
    dark_w = PEAT_BOG.meter.dark_tolerance_w * factor
    bright = replace(PEAT_BOG, laser=laser, meter=replace(PEAT_BOG.meter, dark_tolerance_w=dark_w))
    other = BenchModel(bright, max_passes=model.max_passes)
    readings = drawn_readings(model, seed)
    rescaled = [
        replace(r, power_w=r.power_w * factor, uncertainty_w=r.uncertainty_w * factor)
        for r in readings
    ]
    plain, scaled = believing(model, readings, seed), believing(other, rescaled, seed)
    np.testing.assert_allclose(scaled.z, plain.z, rtol=1e-12)
    assert shares(scaled) == shares(plain)


def swapped(name: str) -> str:
    """What an unknown is called once x is called y and y x."""
    if name in ("x_m", "y_m"):
        return {"x_m": "y_m", "y_m": "x_m"}[name]
    return name.replace("_x", "_?").replace("_y", "_x").replace("_?", "_y")


def turned(place: Setting) -> Setting:
    """A setting once x is called y and y x."""
    return replace(
        place, x_m=place.y_m, y_m=place.x_m, slope_x=place.slope_y, slope_y=place.slope_x
    )


def a_turned_model(*unknown: str) -> BenchModel:
    """The model of the shipped bench by somebody who calls x y and y x."""
    beam, hole = PEAT_BOG.input_beam, PEAT_BOG.entrance_hole
    axes = {
        name: replace(axis, effect=tuple(axis.effect[k] for k in (0, 2, 1, 4, 3)))
        for name, axis in PEAT_BOG.axes.items()
    }
    bench = replace(
        PEAT_BOG,
        axes=axes,
        entrance_hole=replace(hole, x_m=hole.y_m, y_m=hole.x_m),
        input_beam=replace(
            beam, x_m=beam.y_m, y_m=beam.x_m, slope_x=beam.slope_y, slope_y=beam.slope_x
        ),
    )
    return a_model(*unknown, bench=bench)


@few
@given(seeds)
def test_calling_x_y_changes_no_prediction(seed):
    model, mirrored = a_model(), a_turned_model()
    order = [UNKNOWNS.index(swapped(name)) for name in UNKNOWNS]
    z = model.prior.draw(20, np.random.default_rng(seed))
    places = [beside(shift) for shift in SHIFTS_M]
    one, two = model.predict(z, places), mirrored.predict(z[:, order], [turned(p) for p in places])
    np.testing.assert_allclose(two.power_w, one.power_w, rtol=1e-6, atol=1e-10)
    np.testing.assert_array_equal(two.passes, one.passes)


def test_calling_x_y_changes_nothing_of_what_is_believed():
    names = ("slope_x", "y_m", "spacing_offset_m", "log_gain")
    model, mirrored = a_model(*names), a_turned_model(*(swapped(name) for name in names))
    bench = a_bench(slope_x=0.5, y_m=-0.4, spacing_offset_m=0.3, log_gain=-0.4)
    readings = readings_of(model, bench, [beside(shift) for shift in SHIFTS_M[:5]])
    again = [replace(reading, setting=turned(reading.setting)) for reading in readings]
    one = believing(model, readings, 1, members=500, sweeps=10)
    two = believing(mirrored, again, 2, members=500, sweeps=10)
    agree(one, two, {name: swapped(name) for name in names})


@few
@given(seeds)
def test_a_repeated_reading_is_no_more_than_a_better_averaged_one(seed):
    model = a_model("spacing_offset_m", "log_gain", "reflectivity")
    *first, last = drawn_readings(model, seed)
    times = 10
    repeated = believing(model, [*first, *[last] * times], seed, members=250, sweeps=6)
    averaged = replace(last, uncertainty_w=last.uncertainty_w / np.sqrt(times))
    once = believing(model, [*first, averaged], seed, members=250, sweeps=6)
    np.testing.assert_allclose(repeated.data.power_w, once.data.power_w)
    np.testing.assert_allclose(repeated.data.sigma_w, once.data.sigma_w)
    for name in ("spacing_offset_m", "log_gain", "reflectivity"):
        index = UNKNOWNS.index(name)
        (one, one_u), (two, two_u) = (mean_and_error(b, index) for b in (repeated, once))
        assert abs(one - two) < 4.0 * np.hypot(one_u, two_u)
        # the standard deviation of 50 independent members is known to 10 %
        narrower = repeated.z[:, index].std() / once.z[:, index].std()
        assert 0.67 < narrower < 1.5


def test_the_same_seed_gives_the_same_belief(model):
    readings = drawn_readings(model, 3)
    np.testing.assert_array_equal(believing(model, readings, 5).z, believing(model, readings, 5).z)


def test_what_members_predict_is_kept_in_step_with_them(model):
    belief = believing(model, drawn_readings(model, 4))
    seen = model.predict(belief.z, belief.data.settings).power_w
    expected = belief.data.log_likelihood(seen) + model.prior.log_density(belief.z)
    np.testing.assert_allclose(belief.log_posterior, expected)
    best = belief.best(5)
    np.testing.assert_array_equal(best[-1], belief.z[np.argmax(expected)])


def test_more_readings_support_the_truth_more_and_prove_no_more_falsehoods(model):
    """Averaged over benches drawn from the bench file, asked what they show beside the middle of
    the plateau, where some show 26 passes and some another number."""
    asked = beside(2.4e-3)
    benches = model.prior.draw(24, np.random.default_rng(17))
    passes = model.predict(benches, (asked,)).passes[:, 0]
    stops = (1, 2, 4, 8)
    support = np.zeros((len(benches), len(stops)))
    falsely_sure = np.zeros(len(stops), dtype=int)
    for index, (bench, true) in enumerate(zip(benches, passes, strict=True)):
        rng = np.random.default_rng(index)
        belief = a_belief(model, index)
        places = [beside(shift) for shift in rng.permutation(SHIFTS_M)]
        for count, reading in enumerate(readings_of(model, bench, places, rng), start=1):
            belief.update(reading)
            if count in stops:
                found = shares(belief, asked)
                stop = stops.index(count)
                support[index, stop] = found.get(int(true), 0.0)
                likeliest = max(found, key=lambda count: found[count])
                if likeliest != true and found[likeliest] >= 0.999:
                    # what a proof asks beside the share of the members
                    weighing = weigh(belief, asked, likeliest, rng)
                    falsely_sure[stop] += (
                        weighing.closest >= 6.0 and weighing.probability_factor >= 0.999
                    )
    mean = support.mean(axis=0)
    # a second reading decides little on average; a percent is sampling error of the members
    assert np.all(np.diff(mean) > -0.01)
    assert mean[1] + 0.05 < mean[2]
    assert mean[-1] > 0.95
    assert falsely_sure.tolist() == [0, 0, 0, 0]


def test_members_that_have_not_moved_have_forgotten_nothing():
    z = np.random.default_rng(0).normal(size=(300, 4))
    assert forgotten(z, z) == pytest.approx(0.0)
    assert forgotten(z, -z) == pytest.approx(2.0)
    assert forgotten(z, np.random.default_rng(1).normal(size=(300, 4))) == pytest.approx(
        1.0, abs=0.2
    )
    fixed = np.column_stack([z, np.zeros(300)])
    assert forgotten(fixed, fixed) == pytest.approx(0.0), "an unknown that is known has no say"


def test_once_settled_an_unknown_that_no_reading_tells_is_as_open_as_before():
    model = a_model("spacing_offset_m", "reflectivity", "log_gain", "scale of yaw")
    readings = readings_of(model, a_bench(spacing_offset_m=0.2), [beside(s) for s in SHIFTS_M[:5]])
    untold = UNKNOWNS.index("scale of yaw")
    settled = []
    for seed in range(4):
        belief = believing(model, readings, seed, members=300)
        belief.z[:, untold] = 0.4  # as where a population was thinned to the children of few
        belief.settle(beside(0.0))
        settled.append(belief.z[:, untold])
    assert abs(np.mean(settled)) < 0.2
    open_still = np.std(model.prior.draw(5000, np.random.default_rng(0))[:, untold])
    assert np.std(settled) == pytest.approx(open_still, rel=0.15)
