"""The first move of an axis: short, judged by what is read back, and nothing larger before it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from autocell.bench import first_moves
from autocell.bench.file import load, shipped
from autocell.bench.plan import plan_move
from autocell.bench.trust import Trust
from autocell.description import AxisDescription
from autocell.errors import LimitError, MotionError
from tests.bench.conftest import Rig, SteadyAxis, make_rig

PEAT_BOG = load(shipped("peat-bog"))


@pytest.fixture
def untried() -> Rig:
    return make_rig(tried=False)


class MiscountingAxis(SteadyAxis):
    """Goes ``scale`` times as far as it is asked, from where it stood when first moved."""

    scale = 1.0

    def start_move(self, target: float) -> None:
        here = self.position()
        super().start_move(here + self.scale * (target - here))


def miscounting(rig: Rig, name: str, scale: float) -> MiscountingAxis:
    """Put an axis with a wrong sign or scale into a rig."""
    axis = rig.axes[name]
    wrong = MiscountingAxis(PEAT_BOG.axes[name], rig.clock, axis.position())
    wrong.scale = scale
    rig.guard._axes[name] = rig.axes[name] = wrong
    return wrong


def test_the_first_leg_is_a_hundredth_of_the_range_and_the_rest_follows(untried: Rig) -> None:
    untried.motion.move({"spacing": 0.045}, "test")
    assert untried.axes["spacing"].commands == pytest.approx([0.0255, 0.045])
    untried.motion.move({"spacing": 0.048}, "test")
    assert untried.axes["spacing"].commands[2:] == [0.048]
    told = [text for kind, text in untried.journal.events if kind == "first move"]
    assert len(told) == 1
    assert "asked to go by +0.5000 mm, it went by +0.5000 mm" in told[0]


def test_the_first_leg_of_an_approach_from_above_is_cut_too(untried: Rig) -> None:
    axis = PEAT_BOG.axes["pitch"]
    untried.motion.move({"pitch": -0.005}, "test")
    assert untried.axes["pitch"].commands == pytest.approx(
        [-0.0003, -0.005 - axis.overshoot, -0.005]
    )


def test_a_short_move_that_arrives_is_a_first_move_by_itself(untried: Rig) -> None:
    untried.motion.move({"spacing": 0.0253}, "test")
    assert untried.guard.trust.tried("spacing")
    untried.motion.move({"spacing": 0.045}, "test")
    assert untried.axes["spacing"].commands == [0.0253, 0.045]


def test_a_move_too_short_to_tell_is_none(untried: Rig) -> None:
    untried.motion.move({"spacing": 0.025005}, "test")
    assert not untried.guard.trust.tried("spacing")


@pytest.mark.parametrize("name", ["spacing", "pitch", "horizontal"])
@pytest.mark.parametrize("way", [0.2, -0.2])
def test_a_wrong_sign_stops_the_axis_and_says_what_was_seen(name: str, way: float) -> None:
    rig = make_rig(tried=False)
    wrong = miscounting(rig, name, -1.0)
    axis = PEAT_BOG.axes[name]
    start, span = wrong.position(), axis.high - axis.low
    with pytest.raises(MotionError) as refusal:
        rig.motion.move({name: start + way * span}, "test")
    text = str(refusal.value)
    assert text.startswith(
        f"{name}: its first move was asked to go by {way / 0.2 * 10 * span:+.4f}"
    )
    assert "the wrong way" in text
    assert "direction of the motor or of the encoder" in text
    assert len(wrong.commands) == 1
    assert wrong.stops >= 1
    assert abs(wrong.position() - start) <= 0.0101 * span
    assert rig.guard.trust.trust(name) is Trust.LOST


@pytest.mark.parametrize(
    ("scale", "seen"), [(0.1, "0.1 times"), (25.4, "times"), (1000.0, "times")]
)
def test_a_wrong_scale_is_told_with_its_size_and_cure(scale: float, seen: str) -> None:
    rig = make_rig(tried=False)
    wrong = miscounting(rig, "spacing", scale)
    with pytest.raises(MotionError, match=f"{seen} as far: the wrong scale.*units_per_mm"):
        rig.motion.move({"spacing": 0.045}, "test")
    assert len(wrong.commands) == 1
    # stopped once it was seen beyond the short move: what it runs until it is next asked
    assert abs(wrong.position() - 0.025) < 0.0005 + 5e-3 * 0.3


def test_no_motion_at_all_is_told_with_what_it_may_be(untried: Rig) -> None:
    miscounting(untried, "yaw", 0.0)
    with pytest.raises(MotionError, match=r"nothing moved.*stick.*counted in different units"):
        untried.motion.move({"yaw": 0.01}, "test")


def test_a_first_move_that_ends_a_little_short_is_told_as_any_move(untried: Rig) -> None:
    miscounting(untried, "spacing", 0.97)
    with pytest.raises(MotionError, match=r"stopped at .* does it stick"):
        untried.motion.move({"spacing": 0.045}, "test")
    assert not untried.guard.trust.tried("spacing")


def test_an_axis_that_was_lost_has_to_show_it_anew(untried: Rig) -> None:
    untried.motion.move({"spacing": 0.045}, "test")
    untried.guard.doubt("spacing", Trust.LOST, "a test says so")
    untried.guard.trust.found_right("spacing")
    assert not untried.guard.trust.tried("spacing")
    untried.guard.restore_trust("spacing", "homed")
    assert not untried.guard.trust.tried("spacing")


def test_the_guard_itself_sends_no_longer_first_move(untried: Rig) -> None:
    axis = PEAT_BOG.axes["spacing"]
    move = plan_move(axis, 0.025, 0.045, backlash_is_out=True)
    assert move is not None
    with pytest.raises(LimitError, match="longest first move"):
        untried.guard.start(move, 0.045, 0.025, "test")
    assert untried.sent() == []
    assert untried.journal.moves == []


@given(
    st.sampled_from(sorted(PEAT_BOG.axes)),
    st.floats(0.02, 0.98),
    st.floats(0.02, 0.98),
    st.booleans(),
)
def test_no_first_leg_is_longer_and_every_way_ends_where_it_should(
    name: str, begin: float, end: float, out: bool
) -> None:
    axis: AxisDescription = PEAT_BOG.axes[name]
    start, target = (axis.low + share * (axis.high - axis.low) for share in (begin, end))
    plain = plan_move(axis, start, target, backlash_is_out=out)
    if plain is None:
        return
    move = first_moves.with_first_move(plain)
    assert move.target == move.legs[-1] == target
    # nothing turns round that did not turn round before: the same travel, cut in one place more
    assert move.travel == pytest.approx(plain.travel)
    assert len(move.legs) <= len(plain.legs) + 1
    at = start
    for leg in move.legs:
        assert abs(leg - at) <= first_moves.longest(axis) * (1 + 1e-9)
        if first_moves.tells(axis, leg - at):
            break
        at = leg
