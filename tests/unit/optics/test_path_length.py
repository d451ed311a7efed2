"""The uncertainty budget of a path: the law of propagation against Monte Carlo."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from autocell.optics.path_length import path_length_budget
from autocell.optics.sensitivity import PARAMETERS, changed
from autocell.optics.trace import trace

UNCERTAIN = {
    "spacing_m": 20e-6,
    "x_m": 0.1e-3,
    "y_m": 0.1e-3,
    "slope_x": 0.5e-3,
    "slope_y": 0.5e-3,
    "entrance_tilt_x_rad": 0.2e-3,
    "far_tilt_y_rad": 0.2e-3,
    "entrance_radius_m": 0.8e-3,
    "far_radius_m": 0.8e-3,
}


@pytest.mark.parametrize("spacing_uncertainty_m", [20e-6, 0.1e-6])
def test_budget_agrees_with_propagation_of_distributions(case_a, spacing_uncertainty_m):
    """JCGM 101:2008: draw the inputs, trace each, and take mean and standard deviation. With the
    second uncertainty the spacing no longer hides what the other quantities do."""
    given = {**UNCERTAIN, "spacing_m": spacing_uncertainty_m}
    cell = case_a.cell.at_spacing(case_a.orbit.spacing_m + 0.2e-3)
    budget = path_length_budget(cell, case_a.beam, 50, given)
    draws = np.random.default_rng(7).standard_normal((20_000, len(PARAMETERS)))
    draws *= [given.get(name, 0.0) for name in PARAMETERS]
    paths = trace(*changed(cell, case_a.beam, draws), 50).path_length_m[:, 50]
    # 20 000 draws: standard deviation to 0.5 %; the rest is what the trace bends
    assert budget.standard_uncertainty_m == pytest.approx(paths.std(), rel=0.02)
    assert budget.path_length_m == pytest.approx(
        paths.mean(), abs=4.0 * paths.std() / math.sqrt(len(paths)) + 1e-8
    )
    inside = np.abs(paths - budget.path_length_m) < budget.expanded_uncertainty_m()
    assert inside.mean() == pytest.approx(0.954, abs=0.01)  # normal distribution, k = 2


def test_what_is_correlated_adds_up_or_cancels(case_a):
    """Readings tie the spacing to the radius. JCGM 100:2008, 5.2.2, against draws of both."""
    given = {"spacing_m": 0.2e-6, "far_radius_m": 0.8e-3, "x_m": 0.4e-3}
    r = np.array([[1.0, 0.95, 0.6], [0.95, 1.0, 0.5], [0.6, 0.5, 1.0]])
    cell = case_a.cell.at_spacing(case_a.orbit.spacing_m + 2e-3)
    rng = np.random.default_rng(8)
    u = np.array(list(given.values()))
    correlated = rng.multivariate_normal(np.zeros(3), r * np.outer(u, u), size=20_000)
    draws = np.zeros((20_000, len(PARAMETERS)))
    draws[:, [PARAMETERS.index(name) for name in given]] = correlated
    paths = trace(*changed(cell, case_a.beam, draws), 50).path_length_m[:, 50]
    budget = path_length_budget(cell, case_a.beam, 50, given, r)
    assert budget.standard_uncertainty_m == pytest.approx(paths.std(), rel=0.02)
    alone = path_length_budget(cell, case_a.beam, 50, given)
    assert abs(alone.standard_uncertainty_m / budget.standard_uncertainty_m - 1.0) > 0.03
    # fully correlated: contributions add with their signs, equation 16 for r = 1
    together = path_length_budget(cell, case_a.beam, 50, given, np.ones((3, 3)))
    signed = sum(row.sensitivity * row.standard_uncertainty for row in together.rows)
    assert together.standard_uncertainty_m == pytest.approx(abs(signed), rel=1e-9)


@pytest.mark.parametrize(
    ("correlation", "problem"),
    [
        (np.eye(3), "2 × 2"),
        ([[2.0, 0.0], [0.0, 1.0]], "2 × 2"),
        ([[1.0, -9.0], [-9.0, 1.0]], "no quantities"),
        ([[1.0, 9.0], [9.0, 1.0]], "no quantities"),
        ([[1.0, 0.5], [0.1, 1.0]], "no quantities"),
    ],
)
def test_impossible_correlations_are_refused(case_a, correlation, problem):
    given = {"spacing_m": 1e-6, "far_tilt_x_rad": 1e-1}
    with pytest.raises(ValueError, match=problem):
        path_length_budget(case_a.cell, case_a.beam, 50, given, correlation)


@pytest.mark.parametrize("passes", [31, 50])
def test_an_odd_path_ends_at_the_far_mirror_and_crosses_the_spacing_as_often(case_a, passes):
    budget = path_length_budget(case_a.cell, case_a.beam, passes, {"spacing_m": 10e-6})
    assert budget.path_length_m == pytest.approx(passes * case_a.orbit.chord_m, rel=1e-12)
    assert budget.rows[0].sensitivity == pytest.approx(passes, rel=1e-3)


def test_one_spacing_error_counts_in_every_pass(case_a):
    """Fully correlated: N u, not √N u. JCGM 100:2008, 5.2.2, note 1, for correlation one."""
    budget = path_length_budget(case_a.cell, case_a.beam, 50, {"spacing_m": 10e-6})
    (row,) = budget.rows
    assert row.sensitivity == pytest.approx(50.0, abs=0.002)
    assert budget.standard_uncertainty_m == pytest.approx(500e-6, rel=1e-4)
    assert budget.expanded_uncertainty_m() == pytest.approx(1e-3, rel=1e-4)


def test_the_length_is_that_of_the_traced_path(case_a):
    """Case A: 16269.062689 mm [exact]. Another pass count is another path, not a wider interval."""
    budget = path_length_budget(case_a.cell, case_a.beam, 50, UNCERTAIN)
    assert 1e3 * budget.path_length_m == pytest.approx(16269.062689, abs=5.1e-7)
    assert [row.quantity for row in budget.rows] == list(UNCERTAIN)
    squares = sum(row.contribution_m**2 for row in budget.rows)
    assert budget.standard_uncertainty_m**2 == pytest.approx(squares)
    shorter = path_length_budget(case_a.cell, case_a.beam, 48, UNCERTAIN)
    missing = budget.path_length_m - shorter.path_length_m
    assert missing == pytest.approx(2.0 * case_a.orbit.chord_m, rel=1e-9)
    assert missing > 100.0 * budget.expanded_uncertainty_m()


@pytest.mark.parametrize(
    ("given", "problem"),
    [
        ({"spacing": 1e-6}, "no parameter"),
        ({"spacing_m": -1e-6}, "no standard uncertainty"),
        ({"x_m": math.nan}, "no standard uncertainty"),
    ],
)
def test_what_is_no_uncertainty_of_a_parameter_is_refused(case_a, given, problem):
    with pytest.raises(ValueError, match=problem):
        path_length_budget(case_a.cell, replace(case_a.beam), 50, given)
