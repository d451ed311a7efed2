"""The figures of ISO 230-2, against the standard library's own statistics and a worked example.

The formulas are those of ISO 230-2:2014 from memory; here each is worked out again target by
target with :mod:`statistics`, which shares nothing with the arrays of the program.
"""

from __future__ import annotations

import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from autocell.procedures.positioning.figures import Positioning

# Deviations in µm of an invented stage: five targets, five approaches each from below and above.
UP = [
    [2.3, 3.6, 5.2, 6.1, 7.4],
    [2.1, 3.3, 5.5, 6.4, 7.7],
    [1.9, 3.5, 5.3, 6.0, 7.1],
    [2.8, 3.1, 5.0, 6.6, 7.2],
    [2.2, 3.4, 5.1, 6.2, 7.8],
]
DOWN = [
    [-1.2, 0.4, 1.1, 2.7, 3.0],
    [-1.7, 0.7, 1.5, 2.1, 3.5],
    [-1.1, 0.2, 1.3, 2.6, 3.1],
    [-1.5, 0.9, 1.8, 2.4, 2.9],
    [-1.6, 0.5, 1.2, 2.5, 3.3],
]


def test_every_figure_agrees_with_the_same_formula_done_target_by_target() -> None:
    found = Positioning.of(np.array(UP), np.array(DOWN))
    ups, downs = list(zip(*UP, strict=True)), list(zip(*DOWN, strict=True))
    mean_up, mean_down = list(map(statistics.fmean, ups)), list(map(statistics.fmean, downs))
    s_up, s_down = list(map(statistics.stdev, ups)), list(map(statistics.stdev, downs))
    b = [u - d for u, d in zip(mean_up, mean_down, strict=True)]
    assert found.reversals == pytest.approx(b)
    assert found.reversal == pytest.approx(max(map(abs, b)))
    assert found.mean_reversal == pytest.approx(statistics.fmean(b))
    assert found.repeatability_up == pytest.approx(4 * max(s_up))
    assert found.repeatability_down == pytest.approx(4 * max(s_down))
    both = [
        max(2 * su + 2 * sd + abs(bi), 4 * su, 4 * sd)
        for su, sd, bi in zip(s_up, s_down, b, strict=True)
    ]
    assert found.repeatability == pytest.approx(max(both))
    middles = [(u + d) / 2 for u, d in zip(mean_up, mean_down, strict=True)]
    assert found.mean_deviation == pytest.approx(max(middles) - min(middles))
    means = mean_up + mean_down
    assert found.systematic_deviation == pytest.approx(max(means) - min(means))
    spread = list(zip(means, s_up + s_down, strict=True))
    accuracy = max(m + 2 * s for m, s in spread) - min(m - 2 * s for m, s in spread)
    assert found.accuracy == pytest.approx(accuracy)


def test_numbers_that_can_be_done_in_the_head() -> None:
    # one target: 1 and 3 from below (mean 2, s = √2), 0 and 0 from above
    one = Positioning.of(np.array([[1.0], [3.0]]), np.array([[0.0], [0.0]]))
    assert one.reversals == (2.0,)
    assert one.repeatability_up == pytest.approx(4 * math.sqrt(2))
    assert one.repeatability_down == 0.0
    assert one.repeatability == pytest.approx(max(2 * math.sqrt(2) + 2, 4 * math.sqrt(2)))
    assert one.mean_deviation == 0.0
    assert one.systematic_deviation == 2.0
    # from 0 up to 2 + 2√2, and 2 − 2√2 is below 0
    assert one.accuracy == pytest.approx(4 * math.sqrt(2))


DEVIATIONS = arrays.arrays(np.float64, (3, 4), elements=st.floats(-10, 10))


@given(DEVIATIONS, DEVIATIONS, st.floats(-5, 5))
def test_a_shift_of_all_deviations_changes_nothing_and_a_shift_of_one_side_the_reversal(
    up: np.ndarray, down: np.ndarray, shift: float
) -> None:
    found = Positioning.of(up, down)
    moved = Positioning.of(up + shift, down + shift)
    for name, value in found.as_dict().items():
        assert getattr(moved, name) == pytest.approx(value, abs=1e-9)
    lifted = Positioning.of(up + shift, down)
    assert lifted.mean_reversal == pytest.approx(found.mean_reversal + shift, abs=1e-9)
    assert lifted.repeatability_up == pytest.approx(found.repeatability_up, abs=1e-9)
    # what the standard's definitions imply: no figure is smaller than a part of it
    assert found.accuracy >= found.systematic_deviation - 1e-9
    assert found.systematic_deviation >= found.reversal - 1e-9
    assert found.repeatability >= max(found.repeatability_up, found.repeatability_down) - 1e-9


@pytest.mark.parametrize(("up", "down"), [((1, 5), (1, 5)), ((3, 5), (3, 4)), ((3,), (3,))])
def test_what_gives_no_figures_is_refused(up: tuple[int, ...], down: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="n at least 2"):
        Positioning.of(np.zeros(up), np.zeros(down))
