"""Readings that no bench of the file explains: the belief widens, and says what does not fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autocell.belief.alternatives import strained_fit
from autocell.belief.best_fit import climb
from autocell.belief.population import Belief
from autocell.patterns import choose_pattern

from .conftest import (
    PASSES,
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


def test_a_contradicting_reading_widens_the_belief_and_does_not_turn_it(model):
    good = readings_of(model, a_bench(), [beside(shift) for shift in SHIFTS_M[:5]])
    belief = believing(model, good)
    assert belief.surprises == 0
    assert belief.data.model_error == 1.0
    sure = belief.data.sigma_w
    truthful = shares(belief)[PASSES]

    # half the light on the plateau, where no bench of the file can lose it
    place = beside(3e-4)
    wrong = readings_of(model, a_bench(), (place,))[0]
    belief.update(replace(wrong, power_w=0.5 * wrong.power_w))
    assert belief.surprises == 1
    assert belief.data.model_error > 1.0
    assert np.all(belief.data.sigma_w[:5] > sure)
    assert np.all(np.isfinite(belief.z))
    assert truthful > 0.99
    assert shares(belief)[PASSES] > 0.9


def test_readings_that_fit_never_surprise(model):
    rng = np.random.default_rng(5)
    for index, bench in enumerate(model.prior.draw(6, rng)):
        places = [beside(shift) for shift in SHIFTS_M[:5]]
        belief = believing(model, readings_of(model, bench, places, rng), index)
        assert belief.surprises == 0
        assert belief.misfit() < 3.5


def test_the_model_error_does_not_grow_without_end(model):
    power_w = readings_of(model, a_bench(), (TARGET,))[0]
    nonsense = [
        replace(power_w, setting=beside(3e-4 * i), power_w=(0.2 + 0.7 * (i % 2)) * power_w.power_w)
        for i in range(9)
    ]
    belief = believing(model, nonsense)
    assert belief.surprises > 3
    assert belief.data.model_error == 4.0
    assert np.all(np.isfinite(belief.log_posterior))


def test_the_unknown_that_is_out_of_its_tolerance_is_named_first(model):
    places = [beside(1e-3 * i) for i in range(-6, 10)]
    bench = a_bench(spacing_offset_m=3.0)
    belief = believing(model, readings_of(model, bench, places), members=200)
    (name, words), *others = belief.strained()
    assert name == "the spacing"
    pulled = np.abs(np.median(belief.z, axis=0))
    assert words == f"{pulled[UNKNOWNS.index('spacing_offset_m')]:.2f} times its tolerance"
    # the radii stretch the staircase as the spacing shifts it: they give way too, but less
    radii = {"the radius of the entrance mirror", "the radius of the far mirror"}
    assert {name for name, _ in others} <= radii
    assert pulled.argmax() == UNKNOWNS.index("spacing_offset_m")


def test_a_bench_within_its_file_strains_nothing(model):
    rng = np.random.default_rng(12)
    places = [beside(shift) for shift in SHIFTS_M]
    bench = a_bench(spacing_offset_m=0.5, slope_x=-0.4, reflectivity=0.3, far_radius_m=0.2)
    assert believing(model, readings_of(model, bench, places, rng)).strained() == []


def test_readings_from_before_the_laser_jumped_can_be_left_behind(model):
    places = [beside(shift) for shift in SHIFTS_M]
    before = readings_of(model, a_bench(), places[:4])
    brighter = [
        replace(reading, power_w=1.04 * reading.power_w)
        for reading in readings_of(model, a_bench(), places)
    ]
    belief = believing(model, [*before, *brighter])
    torn = belief.misfits().max()
    belief.leave_behind(len(before))
    assert len(belief.data.settings) == len(places)
    assert belief.misfits().max() < 1.2 < 1.5 < torn
    assert belief.data.model_error == 1.0
    assert shares(belief)[PASSES] > 0.99
    # and nothing that comes later brings them back
    belief.update(brighter[0])
    assert len(belief.data.settings) == len(places)
    assert belief.misfits().max() < 1.2


def test_a_candid_belief_is_sharper_and_as_cautious_as_ever_afterwards(model):
    readings = readings_of(model, a_bench(), [beside(s) for s in SHIFTS_M[:4]])
    sharper, cautious, at_once = [], [], []
    for seed in range(4):  # a small population has its volume by chance
        belief = believing(model, readings[:3], seed)
        usual = belief.z.std(axis=0)
        with belief.candid():
            assert belief.data.model_error == 0.5
            sharper.append(belief.z.std(axis=0) / usual)
            belief.update(readings[3])
            candid = belief.z.std(axis=0)
        assert belief.data.model_error == 1.0
        sharper.append(candid / belief.z.std(axis=0))
        cautious.append(belief.z.std(axis=0))
        at_once.append(believing(model, readings, seed).z.std(axis=0))
    # of all unknowns together, in the mean
    assert np.exp(np.sum(np.log(sharper), axis=1).mean()) < 0.5
    np.testing.assert_allclose(np.mean(cautious, axis=0), np.mean(at_once, axis=0), rtol=0.3)


def test_a_population_that_was_large_to_find_the_plateau_is_smaller_once_it_is_found(model):
    first, *others, last = readings_of(model, a_bench(), [beside(shift) for shift in SHIFTS_M[:4]])
    large = Belief(model, np.random.default_rng(3), members=4400, pioneers=5000)
    usual = a_belief(model)
    for belief in (large, usual):
        belief.update(first)
        with belief.candid():
            for reading in others:
                belief.update(reading)
            before = len(belief.z)
        assert len(belief.z) == (4000 if belief is large else before)
    assert before > 0
    assert shares(large)[PASSES] == pytest.approx(shares(usual)[PASSES], abs=0.15)
    large.update(last)
    assert len(large.z) == 4000


def test_readings_that_are_only_noted_say_nothing_until_they_are_reckoned_together(model):
    readings = readings_of(model, a_bench(), [beside(shift) for shift in SHIFTS_M[:4]])
    belief, one_by_one = (
        Belief(model, np.random.default_rng(seed), members=1600, pioneers=16000) for seed in (0, 1)
    )
    before = belief.z.copy()
    for reading in readings:
        belief.note(reading)
    np.testing.assert_array_equal(belief.z, before)
    assert belief.readings == readings
    belief.reckon()
    for reading in readings:
        one_by_one.update(reading)
    assert shares(belief)[PASSES] == pytest.approx(shares(one_by_one)[PASSES], abs=0.1)
    narrower = np.log(belief.z.std(axis=0) / one_by_one.z.std(axis=0)).mean()
    assert narrower == pytest.approx(0.0, abs=0.15)
    assert belief.misfits().max() < 1.0
    assert belief.surprises == 0


def test_noted_readings_that_no_bench_has_are_a_surprise_when_they_are_reckoned(model):
    readings = readings_of(model, a_bench(), [beside(shift) for shift in SHIFTS_M[:4]])
    belief = a_belief(model, members=400)
    for reading in readings[:3]:
        belief.note(reading)
    belief.note(replace(readings[3], power_w=3.0 * readings[3].power_w))
    belief.reckon()
    assert belief.surprises == 1
    assert belief.data.model_error > 1.0


@pytest.mark.parametrize("case", [1, 7])
def test_what_is_out_of_the_file_is_named_also_where_no_slope_leads_to_it(case):
    """Some of the readings are fifty uncertainties from every bench that can be climbed to from
    within the file, so that nothing was named."""
    model = a_model(max_passes=400)
    rng = np.random.default_rng(case)
    bench = rng.uniform(-0.6, 0.6, len(UNKNOWNS))
    bench[[UNKNOWNS.index("y_m"), UNKNOWNS.index("spacing_offset_m")]] = 2.4
    at = choose_pattern(PEAT_BOG, 62).setting
    places = [at.at_spacing(at.spacing_m + 1e-3 * shift) for shift in (-2.0, 0.0, 1.5, -6.0, 5.0)]
    start = choose_pattern(PEAT_BOG, 6).setting
    belief = Belief(model, np.random.default_rng(1), members=400, pioneers=4000)
    for reading in readings_of(model, bench, [start, *places], rng):
        belief.update(reading)
    assert belief.surprises > 0

    doubting = model.prior.doubting(0.3)
    alone = climb(model, doubting, belief.data, belief.best(5), steps=40)
    assert alone.log_posterior.max() < -15.0, "from within the file the bench is not found"
    named = [
        {name for name, _ in strained_fit(belief, np.random.default_rng(seed))} for seed in range(4)
    ]
    assert sum("the spacing" in names for names in named) >= 3
