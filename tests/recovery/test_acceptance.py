"""When a step of a recovery is worth keeping: the gain, its uncertainty, and the stated minimum."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from autocell.description import BenchDescription
from autocell.procedures.recovery.account import nearer_to_one
from autocell.procedures.recovery.attempts import is_another_pattern, is_worth_it
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.recovery.under_way import RecoveryUnderWay
from autocell.recovery import Ratio
from tests.recovery.conftest import begun

LEAST = 0.015


@pytest.fixture
def recovery(watched: BenchDescription, reference: ReferenceSetting) -> Iterator[RecoveryUnderWay]:
    """One that wants 1.5 %."""
    with begun(watched, reference, LEAST) as recovery:
        yield recovery


@pytest.mark.parametrize(
    ("before", "after", "gain"),
    [
        (0.80, 0.95, 0.15),
        (0.95, 0.80, -0.15),
        (1.04, 1.00, 0.04),  # too much light is off by as much as too little
        (0.90, 1.10, 0.0),
        (0.97, 1.05, -0.02),
    ],
)
def test_a_gain_is_by_how_much_the_power_is_nearer_to_that_of_the_reference(
    before: float, after: float, gain: float
) -> None:
    # independent readings: 0.003 and 0.004 make 0.005
    found = nearer_to_one(Ratio(before, 0.003), Ratio(after, 0.004))
    assert found.value == pytest.approx(gain, abs=1e-12)
    assert found.u == pytest.approx(0.005, rel=1e-12)


@pytest.mark.parametrize(
    ("before", "after", "kept"),
    [
        # the stated minimum decides: three sigma are 0.003 of 0.015
        pytest.param((0.900, 0.0006), (0.9140, 0.0008), False, id="sure, but below the minimum"),
        pytest.param((0.900, 0.0006), (0.9160, 0.0008), True, id="sure, above the minimum"),
        # three sigma decide: 0.030 of 0.015
        pytest.param((0.900, 0.006), (0.9290, 0.008), False, id="above the minimum, not sure"),
        pytest.param((0.900, 0.006), (0.9310, 0.008), True, id="above three sigma"),
        pytest.param((0.900, 0.003), (0.850, 0.004), False, id="darker"),
        pytest.param((0.900, 0.003), (1.095, 0.004), False, id="as far off on the other side"),
        # the light of fewer passes: that there is less of it is what was wanted
        pytest.param((1.018, 0.003), (0.994, 0.003), True, id="too much, and no longer"),
        pytest.param((1.040, 0.003), (1.030, 0.003), False, id="still too much"),
    ],
)
def test_a_step_must_gain_three_sigma_and_the_stated_minimum(
    recovery: RecoveryUnderWay, before: tuple[float, float], after: tuple[float, float], kept: bool
) -> None:
    assert is_worth_it(recovery, Ratio(*before), Ratio(*after)) is kept


@pytest.mark.parametrize("least", [0.005, 0.05])
def test_the_minimum_is_that_of_the_bench_file(
    watched: BenchDescription, reference: ReferenceSetting, least: float
) -> None:
    with begun(watched, reference, least) as recovery:
        for over, kept in ((0.999, False), (1.001, True)):
            after = Ratio(0.9 + over * least, 1e-5)
            assert is_worth_it(recovery, Ratio(0.9, 1e-5), after) is kept


@pytest.mark.parametrize("power", [Ratio(1.0, 0.003), Ratio(0.98, 0.003), None])
def test_where_no_light_was_lacking_the_proof_is_enough(
    recovery: RecoveryUnderWay, power: Ratio | None
) -> None:
    assert is_worth_it(recovery, power, Ratio(0.975, 0.003))


@pytest.mark.parametrize(
    ("before", "after", "another"),
    [
        pytest.param(0.992, 0.901, True, id="the light of the pattern is gone"),
        pytest.param(0.992, 1.100, True, id="light of fewer passes"),
        pytest.param(0.992, 0.975, False, id="as it was"),
        pytest.param(0.900, 0.901, False, id="it was lacking before"),
        pytest.param(None, 0.901, False, id="it stood elsewhere"),
    ],
)
def test_a_step_that_loses_the_light_of_the_pattern_has_proved_another(
    recovery: RecoveryUnderWay, before: float | None, after: float, another: bool
) -> None:
    power = None if before is None else Ratio(before, 0.003)
    assert is_another_pattern(recovery, power, Ratio(after, 0.003)) is another
    assert not is_another_pattern(recovery, power, None)
