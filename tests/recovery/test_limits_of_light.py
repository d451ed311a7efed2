"""Light near the limits: what chance explains, and what only fewer passes bring."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from autocell_simulators.bench import SimulatedBench

from autocell.description import BenchDescription
from autocell.outcome import Verdict
from autocell.procedures.recovery.comparison import mean_of, same_light
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.recovery import Ratio
from tests.recovery.conftest import Morning, Night, begun

LASER = Ratio(0.98, 0.001)


Shown = Callable[..., Morning]


@pytest.fixture
def shown(night: Night, watched: BenchDescription) -> Shown:
    """A bench on which nothing happened, but for a meter that shows so many times the light."""

    def run(factor: float, bench: BenchDescription = watched) -> Morning:
        def spoil(simulated: SimulatedBench) -> None:
            simulated.begin({"fault": "wrong-wavelength", "factor": factor})

        return night(hours=0.1, bench=bench, spoil=spoil)

    return run


@pytest.mark.parametrize(
    ("power", "laser", "as_it_was"),
    [
        # half of what two passes fewer bring is 0.5 (0.985⁻² − 1) = 1.53 %
        pytest.param(Ratio(1.014, 0.003), None, True, id="the laser may have done it"),
        pytest.param(Ratio(1.016, 0.003), None, False, id="as much as of fewer passes"),
        pytest.param(Ratio(1.014, 0.003), LASER, False, id="the laser has not done it"),
        pytest.param(Ratio(1.010, 0.003), LASER, True, id="by chance"),
        pytest.param(Ratio(1.014, 0.0045), LASER, True, id="by chance, of a noisy meter"),
        pytest.param(Ratio(1.016, 0.006), LASER, False, id="too much, however noisy"),
        pytest.param(Ratio(0.971, 0.001), LASER, True, id="light goes for many reasons"),
        pytest.param(Ratio(0.969, 0.001), LASER, False, id="too little"),
    ],
)
def test_more_light_than_chance_explains_is_too_much_where_the_laser_is_known(
    watched: BenchDescription,
    reference: ReferenceSetting,
    power: Ratio,
    laser: Ratio | None,
    as_it_was: bool,
) -> None:
    with begun(watched, reference, 0.015) as recovery:
        assert recovery.against.is_as_it_was(power, laser) is as_it_was


def test_two_looks_saw_the_same_light_unless_they_differ_by_three_sigma() -> None:
    # 0.003 and 0.004 make 0.005
    one = Ratio(0.965, 0.003)
    assert same_light(one, Ratio(0.9799, 0.004))
    assert not same_light(one, Ratio(0.9801, 0.004))
    assert not same_light(one, Ratio(0.9499, 0.004))
    both = mean_of(one, Ratio(0.975, 0.004))
    assert both.value == pytest.approx(0.970)
    assert both.u == 0.003  # the power of the reference is in both


def test_light_that_only_fewer_passes_bring_is_proved_before_it_is_believed(
    shown: Shown, unwatched: BenchDescription
) -> None:
    morning = shown(1.0135)
    names = [step.name for step in morning.recovery.steps]
    assert names[:2] == ["look again", "re-centre"]
    assert morning.outcome.proof is not None
    assert morning.outcome.proof.proved
    assert morning.outcome.passes == morning.truth["passes"] == 62
    # where a laser may have brought it there is nothing to go by
    assert shown(1.0135, unwatched).outcome.moves == 0


def test_light_that_is_at_its_limit_twice_has_not_come_back(
    shown: Shown, unwatched: BenchDescription
) -> None:
    """One look is out of bounds by chance, both together are not: nothing went or came."""
    looked_twice = 0
    for factor in (0.9670, 0.9675, 0.9680, 0.9685, 0.9690, 0.9695):
        morning = shown(factor, unwatched)
        recovery = morning.recovery
        assert "came back" not in morning.outcome.reason
        if [step.name for step in recovery.steps] == ["look again"]:
            looked_twice += 1
            assert morning.outcome.verdict is Verdict.UNCHANGED
            assert morning.outcome.reason.endswith("in the mean of two looks")
            assert recovery.cause is None
            assert recovery.power_before is not None
            assert recovery.power_after is not None
            assert recovery.power_before.value < 0.97 <= recovery.power_after.value
    assert looked_twice > 0
