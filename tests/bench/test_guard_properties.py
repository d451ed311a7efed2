"""Whatever is asked of guard and motion, in whatever order: no command beyond a limit, nothing
after a stop, trust that never rises by itself, and a journal that says what was sent."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from autocell.bench.trust import Trust
from autocell.description import Caps
from autocell.errors import AutocellError, NoReply, Stopped
from tests.bench.conftest import make_rig

NAMES = st.sampled_from(["spacing", "pitch", "yaw", "horizontal", "vertical"])
SHARES = st.floats(-0.2, 1.2)


class GuardedBench(RuleBasedStateMachine):
    """Random moves, stops, sticking axes, jumps, full disks and silent axes."""

    def __init__(self) -> None:
        super().__init__()
        description = make_rig().description
        caps = Caps(moves=40, readings=10, travel_m=0.3, time_s=200.0)
        gap_m = description.spacing_at_zero_m + 0.005
        self.rig = make_rig(replace(description, caps=caps, minimum_gap_m=gap_m))
        self.stopped = False
        self.trust_before: dict[str, Trust] = {}

    @rule(moves=st.dictionaries(NAMES, SHARES, min_size=1))
    def move(self, moves: dict[str, float]) -> None:
        axes = self.rig.description.axes
        targets = {
            name: axes[name].low + share * (axes[name].high - axes[name].low)
            for name, share in moves.items()
        }
        sent_before = len(self.rig.sent())
        lost = [n for n in targets if self.rig.guard.trust.trust(n) is Trust.LOST]
        try:
            self.rig.motion.move(targets, "any")
        except Stopped:
            assert self.stopped
            assert len(self.rig.sent()) == sent_before
        except AutocellError:
            pass
        else:
            assert not self.stopped
            for name, target in targets.items():
                here = self.rig.axes[name].position()
                assert abs(here - target) <= 3 * axes[name].repeatability
            for name in lost:
                assert self.rig.guard.trust.trust(name) is Trust.LOST
        assert self.rig.guard.under_way == ()

    @rule()
    def stop(self) -> None:
        stops = [axis.stops for axis in self.rig.axes.values()]
        self.rig.guard.halting.stop_all()
        self.stopped = True
        assert all(
            axis.stops == before + 1
            for axis, before in zip(self.rig.axes.values(), stops, strict=True)
        )

    @rule()
    def clear(self) -> None:
        self.rig.journal.full = False
        self.rig.guard.halting.clear_stop()
        self.stopped = False

    @rule(name=NAMES, share=SHARES)
    def jump(self, name: str, share: float) -> None:
        axis = self.rig.description.axes[name]
        self.rig.axes[name].jump(axis.low + share * (axis.high - axis.low))

    @rule(name=NAMES, share=st.one_of(st.none(), SHARES))
    def stick(self, name: str, share: float | None) -> None:
        axis = self.rig.description.axes[name]
        place = None if share is None else axis.low + share * (axis.high - axis.low)
        self.rig.axes[name].sticks_at = place

    @rule(name=NAMES, silent=st.booleans())
    def silence(self, name: str, silent: bool) -> None:
        self.rig.axes[name].stop_error = NoReply("silent") if silent else None

    @rule(full=st.booleans())
    def fill_disk(self, full: bool) -> None:
        self.rig.journal.full = full

    @rule(name=NAMES)
    def confirm(self, name: str) -> None:
        self.rig.guard.restore_trust(name, "homed")
        self.trust_before.pop(name, None)

    @invariant()
    def no_command_was_beyond_a_limit(self) -> None:
        bench = self.rig.description
        for name, target in self.rig.sent():
            axis = bench.axes[name]
            assert axis.low <= target - axis.repeatability + 1e-12
            assert target + axis.repeatability <= axis.high + 1e-12
            if name == "spacing":
                spacing_m = bench.spacing_at_zero_m + target - axis.repeatability
                assert spacing_m - bench.spacing_tolerance_m >= bench.minimum_gap_m - 1e-12

    @invariant()
    def the_journal_says_what_was_sent(self) -> None:
        for name, axis in self.rig.axes.items():
            written = [target for moved, _, target, _ in self.rig.journal.moves if moved == name]
            assert axis.commands == written

    @invariant()
    def caps_hold(self) -> None:
        usage, caps = self.rig.guard.usage, self.rig.description.caps
        assert usage.moves == len(self.rig.sent()) <= caps.moves
        assert usage.travel_m <= caps.travel_m * 1.01

    @invariant()
    def lost_trust_does_not_come_back_by_itself(self) -> None:
        for name in self.rig.axes:
            now = self.rig.guard.trust.trust(name)
            if self.trust_before.get(name) is Trust.LOST:
                assert now is Trust.LOST
            self.trust_before[name] = now


TestGuardedBench = GuardedBench.TestCase
TestGuardedBench.settings = settings(
    max_examples=60, stateful_step_count=25, deadline=None, derandomize=True
)
