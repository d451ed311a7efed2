"""Whatever is asked of a bench, in whatever order, and whatever its lines and axes do meanwhile.

Bench, guard, driver and transport are those of every day; the instruments are simulated, on a
virtual clock. What happened is told by the simulated bench, by its own count, and by the bytes on
the lines.

What no program can prevent is bounded by the controller: a garbled command may name another axis or
another target, an axis that runs away goes to its switch, and one that misses steps is not where it
is counted. No command leaves for a place beyond a limit even then.
"""

from __future__ import annotations

from collections.abc import Collection
from contextlib import ExitStack
from typing import Any

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.ends import HARD_END
from autocell_simulators.faults.scenario import AxisSection, Scenario
from autocell_simulators.inprocess import connector
from autocell_simulators.rehearsal.every_fault import named_by_serial_number
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.bench.protocols import Line, Transport
from autocell.bench.trust import Trust
from autocell.errors import AutocellError, Stopped
from tests.bench.conftest import MemoryJournal
from tests.property.watched_line import WatchedLine

BENCH = named_by_serial_number(load(shipped("peat-bog")))
CHANNELS = {str(axis.section["channel"]): name for name, axis in BENCH.axes.items()}
NAMES = st.sampled_from(sorted(BENCH.axes))
DEVICES = st.sampled_from(["motion", "meter"])
LONGEST_S = 300.0
"""A line is waited for a minute, each of five axes may have to be asked again, and stopped."""
STOP_S = 0.5
"""How long a stop may take until every axis is told."""
STEPPER = {"horizontal": AxisSection(drive="stepper", step_um=1.0)}
ALIEN = frozenset({"garbled-command", "missed-steps", "runaway"})
"""Faults that bring an axis where it was not sent."""


class BenchOnFailingLines(RuleBasedStateMachine):
    """Random moves, readings and stops, and what fails under them."""

    def __init__(self) -> None:
        super().__init__()
        self.clock = VirtualClock()
        self.journal = MemoryJournal()
        self.simulated = SimulatedBench(BENCH, 7, self.clock, scenario=Scenario(axes=STEPPER))
        self.stopped = False
        self.obedient = True
        self.told_s: dict[str, float] = {}
        self.disturbed_until_s = 0.0
        self.trust_before: dict[str, Trust] = {}
        self.arrivals_before = 0
        self.began_s = 0.0
        self.wrong: list[str] = []
        self.clock.on_advance.append(self._ask_to_stop_in_time)
        self.stop_at_s: float | None = None
        self.interrupting = False
        self.broken_off: set[int] = set()
        self.opened = ExitStack()
        connect = connector(self.simulated)

        def tapped(address: str, line: Line) -> Transport:
            opened = connect(address, line)
            return (
                WatchedLine(opened, self.sent, self.told_to_stop)
                if address == BENCH.devices["motion"].address
                else opened
            )

        self.bench = self.opened.enter_context(
            open_bench(BENCH, clock=self.clock, connect=tapped, journal=self.journal)
        )

    def teardown(self) -> None:
        self.opened.close()

    def sent(self, command: str) -> None:
        """A move leaves: it must have been written down, and not come after a stop."""
        channel, _, target = command.split()
        axis, _, written, _ = self.journal.moves[-1] if self.journal.moves else (None,) * 4
        if self.stopped:
            self.wrong.append(f"{command} was sent after a stop")
        limits = BENCH.axes[CHANNELS[channel]]
        if not limits.low <= float(target) * 1e-3 <= limits.high:
            self.wrong.append(f"{command} was sent, beyond a limit")
        if axis != CHANNELS[channel] or abs(float(target) - 1e3 * written) > 1e-5:
            self.wrong.append(f"{command} was sent, {axis} to {written} is written down")

    def told_to_stop(self, channel: str) -> None:
        """A stop of an axis leaves, or with 0 of all: when it did so first."""
        for name in CHANNELS.values() if channel == "0" else [CHANNELS[channel]]:
            self.told_s.setdefault(name, self.clock.now())

    def _ask_to_stop_in_time(self, now_s: float) -> None:
        if self.stop_at_s is not None and now_s >= self.stop_at_s:
            self.stop_at_s = None
            self.told_s.clear()
            self.bench.request_stop()
            if self.interrupting:  # as a signal does, whatever is waited for
                raise Stopped("stopped by a signal")

    @rule(shares=st.dictionaries(NAMES, st.floats(-0.05, 1.05), min_size=1, max_size=3))
    def move(self, shares: dict[str, float]) -> None:
        self.began_s = self.clock.now()
        targets = {
            name: BENCH.axes[name].low + share * (BENCH.axes[name].high - BENCH.axes[name].low)
            for name, share in shares.items()
        }
        lost = [name for name, trust in self.bench.trust().items() if trust is Trust.LOST]
        try:
            self.bench.move_axes(targets, "any")
        except (AutocellError, Stopped):
            pass
        else:
            assert not self.stopped
            with self.simulated.present():
                for name in set(targets) - set(lost):
                    counter = self.simulated.axes[name].counter
                    assert abs(counter - targets[name]) <= 3.1 * BENCH.axes[name].repeatability

    @rule(share=st.floats(0.3, 0.9), after_s=st.floats(0.0, 4.0), by_signal=st.booleans())
    def move_and_stop_on_the_way(self, share: float, after_s: float, by_signal: bool) -> None:
        self.began_s = self.clock.now()
        self.interrupting = by_signal
        asked_s = self.stop_at_s = self.clock.now() + after_s
        quiet = self.clock.now() > self.disturbed_until_s
        axis = BENCH.axes["spacing"]
        try:
            self.bench.move_axes({"spacing": axis.low + share * (axis.high - axis.low)}, "any")
        except Stopped:
            if self.stop_at_s is None and by_signal:
                self.bench.stop()  # as whoever opened a bench does when Stopped passes through
                self._every_axis_was_told_by(asked_s + STOP_S)
                self.broken_off |= set(range(len(self.journal.moves))) - set(self.journal.endings)
            if not self.stopped and quiet:
                braking_s = axis.speed / axis.acceleration
                assert self.clock.now() <= asked_s + STOP_S + braking_s
                assert not self._in_motion()
        except AutocellError:
            pass
        if self.stop_at_s is not None:  # it was over before
            self.stop_at_s = None
        else:
            self.stopped = True

    @rule()
    def stop(self) -> None:
        self.began_s = self.clock.now()
        self.told_s.clear()
        failures = self.bench.stop()
        self.stopped = True
        self._every_axis_was_told_by(self.began_s + STOP_S)
        self.clock.sleep(STOP_S)
        if not failures and self.obedient:
            assert not self._in_motion()

    @precondition(lambda self: self.stopped)
    @rule()
    def clear(self) -> None:
        self.began_s = self.clock.now()
        self.bench.clear_stop()
        self.stopped = False

    @rule()
    def read(self) -> None:
        self.began_s = self.clock.now()
        try:
            reading = self.bench.read_power("any", max_samples=3)
        except (AutocellError, Stopped):
            return
        assert not self.stopped
        if self._happened(ALIEN | {"missed-stop"}) and Trust.LOST in self.bench.trust().values():
            return  # it was said that nobody knows where an axis is: it may move even now
        with self.simulated.present():
            light_w = self.simulated.rig.whole.light_w()
            counters = {name: axis.counter for name, axis in self.simulated.axes.items()}
        assert abs(reading.power_w - light_w) <= 6.0 * reading.uncertainty_w
        here = BENCH.setting(counters).as_array()
        assert (abs(reading.setting.as_array() - here) < 2e-5).all()

    @rule(seconds=st.floats(0.0, 20.0))
    def wait(self, seconds: float) -> None:
        self.began_s = self.clock.now()
        self.clock.sleep(seconds)

    @rule(
        fault=st.sampled_from(
            ["late-reply", "lost-reply", "duplicated-reply", "truncated-reply", "garbled-reply",
             "lost-command", "garbled-command"]
        ),
        device=DEVICES,
        query=st.integers(1, 12),
    )  # fmt: skip
    def strike_a_message(self, fault: str, device: str, query: int) -> None:
        self._begin({"fault": fault, "device": device, "when": {"query": query}})

    @rule(
        fault=st.sampled_from(["silent", "disconnected", "slow-line"]),
        device=DEVICES,
        query=st.integers(1, 12),
        for_s=st.floats(0.1, 8.0),
    )
    def cut_a_line(self, fault: str, device: str, query: int, for_s: float) -> None:
        self._begin({"fault": fault, "device": device, "when": {"query": query}, "for_s": for_s})

    @rule(fault=st.sampled_from(["stick", "power-cycle"]), move=st.integers(1, 3))
    def strike_an_axis(self, fault: str, move: int) -> None:
        self._begin({"fault": fault, "when": {"move": move}})

    @rule(move=st.integers(1, 3), obeys_stop=st.booleans())
    def run_away(self, move: int, obeys_stop: bool) -> None:
        self._begin({"fault": "runaway", "when": {"move": move}, "obeys_stop": obeys_stop})
        self.obedient &= obeys_stop

    @rule(for_s=st.floats(0.1, 20.0))
    def miss_stops(self, for_s: float) -> None:
        self._begin({"fault": "missed-stop", "for_s": for_s})
        self.obedient = False

    @rule(
        name=NAMES,
        side=st.sampled_from(["low", "high"]),
        stuck=st.sampled_from(["closed", "open"]),
        for_s=st.floats(0.1, 20.0),
    )
    def spoil_a_switch(self, name: str, side: str, stuck: str, for_s: float) -> None:
        self._begin(
            {"fault": "limit-switch", "axis": name, "side": side, "stuck": stuck, "for_s": for_s}
        )

    @rule(move=st.integers(1, 3), steps=st.integers(1, 500))
    def miss_steps(self, move: int, steps: int) -> None:
        self._begin(
            {"fault": "missed-steps", "axis": "horizontal", "when": {"move": move}, "steps": steps}
        )

    @rule(name=NAMES)
    def home_by_hand(self, name: str) -> None:
        self.began_s = self.clock.now()
        with self.simulated.present():
            axis = self.simulated.axes[name]
            if axis.in_motion or not axis.referenced:
                return
        self.bench.restore_trust(name, "looked at, and right")
        self.trust_before[name] = Trust.KNOWN

    def _begin(self, fault: dict[str, Any]) -> None:
        self.began_s = self.clock.now()
        self.simulated.begin(fault)
        self.disturbed_until_s = float("inf")

    def _happened(self, faults: Collection[str]) -> bool:
        return any(event.fault in faults for event in self.simulated.events)

    def _every_axis_was_told_by(self, time_s: float) -> None:
        """To stop, by a message to it or to all. A line that was pulled out takes no message."""
        if not self._happened({"disconnected"}):
            assert set(self.told_s) == set(BENCH.axes)
            assert max(self.told_s.values()) <= time_s

    def _in_motion(self) -> bool:
        with self.simulated.present():
            return any(axis.in_motion for axis in self.simulated.axes.values())

    @invariant()
    def nothing_is_wrong_with_what_was_sent(self) -> None:
        assert self.wrong == []

    @invariant()
    def no_axis_was_asked_beyond_a_limit_or_came_there(self) -> None:
        with self.simulated.present():
            counts = [axis.counts for axis in self.simulated.axes.values()]
            smallest_gap_m = self.simulated.smallest_gap_m
        assert sum(count.moves for count in counts) <= len(self.journal.moves)
        if not self._happened(ALIEN):
            assert sum(count.limit_violations for count in counts) == 0
            assert smallest_gap_m >= BENCH.minimum_gap_m

    @invariant()
    def no_axis_is_beyond_its_switches_whatever_happened(self) -> None:
        """Or beyond the mechanical end, where a switch may be stuck open."""
        farther = HARD_END if self._happened({"limit-switch"}) else 1.0
        with self.simulated.present():
            for axis in self.simulated.axes.values():
                traits = axis.traits
                play = farther * traits.beyond + traits.backlash + 6.0 * traits.repeatability
                assert traits.low - play <= axis.true_position <= traits.high + play

    @invariant()
    def every_move_that_was_written_down_has_an_end(self) -> None:
        """But for one whose end a signal cut short: the next run has to deal with it."""
        ended = set(self.journal.endings) | self.broken_off
        assert ended == set(range(len(self.journal.moves)))

    @invariant()
    def trust_rises_only_by_an_arrival_and_never_from_lost(self) -> None:
        arrived = {
            self.journal.moves[number][0]
            for number, (_, outcome) in self.journal.endings.items()
            if number >= self.arrivals_before and outcome == "arrived"
        }
        for name, now in self.bench.trust().items():
            before = self.trust_before.get(name, now)
            if now.rank > before.rank:
                assert before is Trust.ESTIMATED
                assert name in arrived
            self.trust_before[name] = now
        self.arrivals_before = len(self.journal.moves)

    @invariant()
    def nothing_takes_for_ever(self) -> None:
        assert self.clock.now() - self.began_s <= LONGEST_S


TestBenchOnFailingLines = BenchOnFailingLines.TestCase
TestBenchOnFailingLines.settings = settings(
    max_examples=12, stateful_step_count=20, deadline=None, derandomize=True
)


class TestBenchOnFailingLinesAtLength(BenchOnFailingLines.TestCase):
    settings = settings(max_examples=100, stateful_step_count=30, deadline=None)
    pytestmark = pytest.mark.thorough
