"""The way back after an instrument has failed in the middle of a change."""

from __future__ import annotations

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.bench.trust import Trust
from autocell.errors import MotionError, NoReply, Stopped
from autocell.outcome import Verdict
from autocell.procedures.change import change_passes
from autocell.procedures.way_back import way_back
from autocell.reading import Reading

BENCH = load(shipped("peat-bog"))
AWAY_S = 2.0
"""When the spacing is on a way of 10 mm that takes somewhat longer."""


class Rig:
    """A bench in the middle of a long move when its controller fell silent."""

    def __init__(self, *, for_s: float | None, hears: bool = True) -> None:
        self.clock = VirtualClock()
        self.simulated = SimulatedBench(BENCH, 3, self.clock, scenario=Scenario())
        self.opened = open_bench(BENCH, clock=self.clock, connect=connector(self.simulated))
        self.bench = self.opened.__enter__()
        self.bench.vouch_for(BENCH.axes)
        self.silent = {"fault": "silent", "device": "motion", "when": {"at_s": AWAY_S}}
        self.silent |= {"hears": hears} | ({} if for_s is None else {"for_s": for_s})
        self.simulated.begin(self.silent)
        self.start = self.bench.positions()["spacing"]
        with pytest.raises(NoReply) as failed:
            self.bench.move_axes({"spacing": self.start - 10e-3}, "away")
        self.error = failed.value

    def back(self) -> str:
        def look() -> Reading:
            return self.bench.read_power("back", max_samples=3)

        home = self.bench.home_setting
        return way_back(
            self.bench, home, "home", look, purpose="back", failed=self.error
        ).words  # fmt: skip


@pytest.mark.parametrize("hears", [True, False])
def test_an_axis_that_nobody_saw_come_to_rest_goes_back_from_wherever_its_way_led(
    hears: bool,
) -> None:
    rig = Rig(for_s=10.0, hears=hears)
    assert rig.bench.trust()["spacing"] is Trust.ESTIMATED
    assert rig.back() == "back home"
    assert rig.bench.positions()["spacing"] == pytest.approx(rig.start, abs=5e-6)
    assert set(rig.bench.trust().values()) == {Trust.KNOWN}


def test_an_axis_that_reads_where_no_way_led_is_lost_and_stays() -> None:
    rig = Rig(for_s=10.0)
    rig.clock.sleep(15.0)
    with rig.simulated.present():
        for axis in rig.simulated.axes.values():
            axis.power_cycle()
    words = rig.back()
    assert (
        "what was moved is not moved back: spacing may still move: spacing: its position is lost"
        in words
    )
    assert rig.bench.trust()["spacing"] is Trust.LOST
    with pytest.raises(Stopped):
        rig.bench.move_axes({"yaw": 0.0}, "anything")


def test_a_stop_that_is_asked_for_meanwhile_is_not_forgotten() -> None:
    rig = Rig(for_s=10.0)
    rig.bench.request_stop()
    moves = rig.bench.usage.moves
    with pytest.raises(Stopped):
        rig.back()
    assert rig.bench.usage.moves == moves


@pytest.mark.parametrize("after_s", [1.0, 6.0, 13.0])
def test_a_stop_is_seen_while_a_controller_that_says_nothing_is_waited_for(after_s: float) -> None:
    rig = Rig(for_s=None)
    began_s = rig.clock.now()
    with pytest.raises(NoReply):
        rig.bench.positions()
    exchange_s = rig.clock.now() - began_s
    began_s += exchange_s
    asked_s: list[float] = []

    def ask(now_s: float) -> None:
        if not asked_s and now_s > began_s + after_s:
            asked_s.append(now_s)
            rig.bench.request_stop()

    rig.clock.on_advance.append(ask)
    with pytest.raises(Stopped):
        rig.back()
    assert rig.clock.now() - asked_s[0] < 0.5 + exchange_s


def test_an_axis_that_keeps_sticking_is_tried_three_times() -> None:
    rig = Rig(for_s=5.0)
    tried = []

    def look() -> Reading:
        tried.append(1)
        raise MotionError("no reading while spacing is moving")

    went = way_back(
        rig.bench, rig.bench.home_setting, "home", look, purpose="back", failed=rig.error
    )
    assert went.trouble is None
    assert isinstance(went.unread, MotionError)
    assert len(tried) == 3


def test_a_change_whose_controller_is_silent_for_a_while_ends_at_its_start() -> None:
    clock = VirtualClock()
    simulated = SimulatedBench(BENCH, 3, clock, scenario=Scenario())
    with open_bench(BENCH, clock=clock, connect=connector(simulated)) as bench:
        bench.vouch_for(BENCH.axes)
        silent = {"fault": "silent", "device": "motion", "when": {"at_s": 4.0}, "for_s": 20.0}
        simulated.begin(silent)
        start = bench.positions()
        outcome = change_passes(bench, 62)
        assert outcome.verdict is Verdict.FAILED
        assert outcome.moves > 0
        assert "no reply" in outcome.reason
        assert "; back at the start, reading" in outcome.reason
        assert bench.positions() == pytest.approx(start, abs=5e-6)
    assert simulated.truth_report()["passes"] == 6
