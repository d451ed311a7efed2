"""The check of the axes on simulated benches, on the virtual clock."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace

import numpy as np
import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import read
from autocell_simulators.inprocess import connector
from autocell_simulators.truth import Truth, draw_truth

from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.description import BenchDescription, Caps
from autocell.errors import MotionError, Stopped, UsageError
from autocell.outcome import Verdict
from autocell.procedures.positioning.axis_checked import AxisChecked
from autocell.procedures.positioning.check import check_motion
from autocell.procedures.positioning.figures import Positioning
from autocell.procedures.positioning.light import Seen
from autocell.procedures.positioning.traverse import plan_traverses, traverse_moves
from tests.bench.conftest import MemoryJournal, SteadyAxis, make_rig

PEAT_BOG = load(shipped("peat-bog"))
CLIPPING = 1.75e-3
"""Of a slide across the beam, m: the hole, 2 mm in radius, begins to clip a beam of 0.33 mm."""


@dataclass
class Standing:
    """An opened bench, the simulated one behind it, and its journal."""

    bench: Bench
    simulated: SimulatedBench
    journal: MemoryJournal


Stand = Callable[..., Standing]


@pytest.fixture
def stand() -> Iterator[Stand]:
    """Opens a bench with some axes elsewhere than at six passes."""
    with ExitStack() as stack:

        def opened(
            places: Mapping[str, float] | None = None,
            truth: Truth | int = 7,
            description: BenchDescription = PEAT_BOG,
            scenario: str | None = None,
        ) -> Standing:
            clock, journal = VirtualClock(), MemoryJournal()
            simulated = SimulatedBench(
                description, truth, clock, scenario=None if scenario is None else read(scenario)
            )
            for name, place in (places or {}).items():
                simulated.axes[name].place(place)
            bench = stack.enter_context(
                open_bench(description, clock=clock, connect=connector(simulated), journal=journal)
            )
            return Standing(bench, simulated, journal)

        yield opened


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("name", "place"), [("horizontal", CLIPPING), ("vertical", -CLIPPING)])
def test_at_the_edge_of_the_hole_the_light_shows_the_true_backlash(
    stand: Stand, seed: int, name: str, place: float
) -> None:
    standing = stand({name: place}, truth=seed)
    checked = check_motion(standing.bench, [name])
    (axis,) = checked.axes
    true = standing.simulated.truth.backlash[name]
    assert checked.outcome.verdict is Verdict.UNCHANGED
    assert axis.light is not None
    assert abs(axis.light.lost - true) < 4.0 * axis.light.u
    assert axis.light.u < 2e-6
    # an encoder before the gear sees none of it
    assert axis.read_reversal is None
    assert axis.positioning.reversal < 1e-6
    assert axis.light.agrees is True
    assert axis.backlash == 0.0 or axis.backlash > true - 2.0 * axis.light.u


def test_on_the_flat_of_a_plateau_nothing_is_claimed_and_every_axis_comes_back(
    stand: Stand,
) -> None:
    standing = stand()
    before = standing.bench.positions()
    checked = check_motion(standing.bench)
    assert checked.outcome.verdict is Verdict.UNCHANGED
    assert [axis.axis.name for axis in checked.axes] == list(PEAT_BOG.axes)
    for axis in checked.axes:
        assert axis.lost is None
        assert axis.compensated is None
        assert axis.backlash == 0.0
        assert "the light changes too little here" in axis.finding
        assert "is not decided" in axis.finding
    for name, position in standing.bench.positions().items():
        assert position == pytest.approx(before[name], abs=3 * PEAT_BOG.axes[name].repeatability)
    assert standing.simulated.truth_report()["limit_violations"] == 0


@pytest.mark.parametrize("seed", range(3))
def test_a_loop_closed_on_the_load_is_noticed(stand: Stand, seed: int) -> None:
    standing = stand(
        {"horizontal": 1.8e-3},
        truth=seed,
        scenario="scenario: a better stage\naxes:\n  horizontal: {drive: closed-loop}\n",
    )
    (axis,) = check_motion(standing.bench, ["horizontal"]).axes
    assert axis.compensated is True
    assert axis.lost == 0.0
    assert "or the controller makes up for it" in axis.finding
    assert axis.backlash < PEAT_BOG.axes["horizontal"].backlash


@pytest.mark.parametrize(
    ("name", "place", "offset"),
    [("horizontal", CLIPPING, "beam_x_offset_m"), ("vertical", -CLIPPING, "beam_y_offset_m")],
)
def test_an_axis_that_counts_the_wrong_way_is_seen_by_its_light_alone(
    stand: Stand, name: str, place: float, offset: str
) -> None:
    truth = draw_truth(PEAT_BOG, 3)
    gain = {**truth.axis_gain, name: -truth.axis_gain[name]}
    mirrored = replace(truth, axis_gain=gain, **{offset: getattr(truth, offset) + 2.0 * place})
    standing = stand({name: place}, truth=mirrored)
    checked = check_motion(standing.bench, [name])
    assert standing.bench.tried()[name], "what is sent and what is read agree"
    assert checked.axes[0].light is not None
    assert checked.axes[0].light.agrees is False
    assert checked.outcome.verdict is Verdict.HELD
    assert f"write 'direction: -1' in axes.{name}" in checked.outcome.reason
    assert standing.bench.positions()[name] == pytest.approx(place, abs=3e-6)


def test_the_first_leg_of_an_axis_that_never_moved_is_short(stand: Stand) -> None:
    standing = stand()
    moves = traverse_moves(standing.bench, plan_traverses(standing.bench, ["spacing"], 2))
    assert standing.simulated.truth_report()["moves"] == 0, "planning moves nothing"
    check_motion(standing.bench, ["spacing"], cycles=2)
    targets = [target for name, _, target, _ in standing.journal.moves if name == "spacing"]
    planned = [leg for move in moves for leg in move.legs]
    np.testing.assert_allclose(targets, planned, atol=1e-6)
    assert abs(targets[0] - 0.040) <= 0.0005 * (1 + 1e-9)


def test_targets_are_approached_from_both_sides_and_stay_within_the_limits(stand: Stand) -> None:
    standing = stand({"spacing": 0.0499})
    (traverse,) = plan_traverses(standing.bench, ["spacing"], 2)
    axis = PEAT_BOG.axes["spacing"]
    assert len(traverse.targets) >= 5
    assert list(traverse.targets) == sorted(traverse.targets)
    assert traverse.turn_high <= axis.high - axis.repeatability
    assert traverse.turn_high - traverse.targets[-1] > axis.overshoot
    assert traverse.targets[0] - traverse.turn_low > axis.overshoot
    check_motion(standing.bench, ["spacing"], cycles=2)
    arrivals = [
        (start, target)
        for name, start, target, _ in standing.journal.moves
        for wanted in traverse.targets
        if abs(target - wanted) < 1e-9
    ]
    up = [target for start, target in arrivals if target > start]
    down = [target for start, target in arrivals if target < start]
    assert len(up) == len(down) == 2 * len(traverse.targets)
    assert standing.simulated.truth_report()["limit_violations"] == 0


def test_a_stop_in_the_middle_is_the_last_thing_that_happens(stand: Stand) -> None:
    standing = stand()
    clock = standing.bench.clock
    assert isinstance(clock, VirtualClock)

    def ask(now_s: float) -> None:
        if now_s > 5.0:
            standing.bench.request_stop()

    clock.on_advance.append(ask)
    with pytest.raises(Stopped):
        check_motion(standing.bench)
    standing.bench.stop()
    moves = standing.simulated.truth_report()["moves"]
    clock.sleep(60.0)
    report = standing.simulated.truth_report()
    assert report["moves"] == moves
    assert not any(axis.in_motion for axis in standing.simulated.axes.values())


def test_what_was_finished_before_an_instrument_failed_is_told(stand: Stand) -> None:
    standing = stand()
    standing.simulated.axes["pitch"].faulted = True  # found at its first move
    checked = check_motion(standing.bench, ["spacing", "pitch"], cycles=2)
    assert checked.outcome.verdict is Verdict.FAILED
    assert "fault" in checked.outcome.reason
    assert [axis.axis.name for axis in checked.axes] == ["spacing"]


@pytest.mark.parametrize("device", ["motion", "meter"])
def test_an_instrument_that_is_silent_for_a_while_has_the_axes_brought_back(
    device: str, stand: Stand
) -> None:
    standing = stand(scenario="scenario: an instrument is silent\nseed: 3\n")
    bench = standing.bench
    bench.vouch_for(PEAT_BOG.axes)
    start = bench.positions()
    silent = {"fault": "silent", "device": device, "for_s": 20.0, "when": {"at_s": 6.0}}
    standing.simulated.begin(silent)
    outcome = check_motion(bench, ["horizontal"]).outcome
    assert outcome.verdict is Verdict.FAILED
    assert outcome.moves > 0
    assert "no reply" in outcome.reason
    assert "; back at the start, reading" in outcome.reason
    assert bench.positions() == pytest.approx(start, abs=5e-6)


def test_at_a_cap_it_goes_back_and_holds(stand: Stand) -> None:
    caps = Caps(moves=300, readings=10, travel_m=0.4, time_s=1800.0)
    standing = stand(description=replace(PEAT_BOG, caps=caps))
    checked = check_motion(standing.bench, ["yaw"], cycles=2)
    assert checked.outcome.verdict is Verdict.HELD
    assert "caps.readings" in checked.outcome.reason
    assert standing.bench.positions()["yaw"] == pytest.approx(0.0, abs=3e-5)


@pytest.mark.parametrize(
    ("names", "cycles", "changes", "complaint"),
    [
        (["roll"], 3, {}, "no axis 'roll'; there are: spacing"),
        (["yaw"], 1, {}, "1 cycles: a check has 2 to 10"),
        (["yaw"], 99, {}, "99 cycles"),
        ([], 8, {}, "caps.moves: .*fewer axes"),
        (["horizontal"], 3, {"low": -2e-5, "high": 2e-5}, "horizontal: a check needs .* limits"),
    ],
)
def test_what_cannot_be_checked_is_refused_before_anything_moves(
    stand: Stand, names: Sequence[str], cycles: int, changes: dict[str, float], complaint: str
) -> None:
    axis = replace(PEAT_BOG.axes["horizontal"], **changes)  # type: ignore[arg-type]
    description = replace(PEAT_BOG, axes={**PEAT_BOG.axes, "horizontal": axis})
    standing = stand(description=description)
    with pytest.raises(UsageError, match=complaint):
        check_motion(standing.bench, names, cycles=cycles)
    assert standing.simulated.truth_report()["moves"] == 0


class ShowsItsBacklash(SteadyAxis):
    """Its encoder is on the load, and its loop is not: it reads further up from above."""

    lost = 8e-6

    def position(self) -> float:
        motor = super().position()
        return motor + self.lost if self._to < self._from and motor == self._to else motor

    def moving(self) -> bool:
        return super().position() != self._to


def test_an_encoder_on_the_load_may_read_beside_the_target_by_the_backlash_and_no_more() -> None:
    rig = make_rig()
    axis = ShowsItsBacklash(PEAT_BOG.axes["spacing"], rig.clock, 0.025)
    rig.guard._axes["spacing"] = axis
    rig.motion.move({"spacing": 0.024}, "from above", straight=True)
    assert axis.position() == pytest.approx(0.024008)
    rig.motion.move({"spacing": 0.025}, "from below", straight=True)
    axis.lost = 40e-6
    with pytest.raises(MotionError, match="stopped at"):
        rig.motion.move({"spacing": 0.023}, "from above", straight=True)


def test_a_straight_move_leaves_the_backlash_in_for_the_next_approach() -> None:
    rig = make_rig()
    rig.motion.move({"spacing": 0.030}, "from below", straight=True)
    rig.motion.move({"spacing": 0.03001}, "an approach")
    below = 0.03001 - PEAT_BOG.axes["spacing"].overshoot
    assert rig.axes["spacing"].commands == pytest.approx([0.030, below, 0.03001])


def made(read: float, lost: float | None, u: float = 0.3e-6) -> AxisChecked:
    """A check of the spacing that found these, in m; no light without ``lost``."""
    up, down = np.zeros((3, 5)), np.full((3, 5), -read)
    light = None if lost is None else Seen(lost, u, 100.0, 1.0, None)
    return AxisChecked(PEAT_BOG.axes["spacing"], Positioning.of(up, down), light, 3)


@pytest.mark.parametrize(
    ("read", "lost", "u", "words", "compensated", "backlash"),
    [
        (0.0, 8e-6, 0.3e-6, "loses 8 µm that the position does not show", False, 8.6e-6),
        (-8e-6, 8e-6, 0.3e-6, "the controller sees it", False, 8.6e-6),
        (0.0, 0.2e-6, 0.3e-6, "no more than 0.8 µm", True, 0.8e-6),
        (7e-6, 0.2e-6, 0.3e-6, "the controller makes up for backlash: it goes 7 µm", True, 0.8e-6),
        (0.0, -4e-6, 0.3e-6, "more backlash than there is", False, 4.6e-6),
        (0.0, 4e-6, 9e-6, "the light changes too little", None, 0.0),
        (-7e-6, 4e-6, 9e-6, "its encoder sees the backlash, or", None, 7e-6),
        (0.0, None, 0.0, "there was no light", None, 0.0),
    ],
)
def test_read_back_and_light_together_tell_whether_the_controller_compensates(
    read: float,
    lost: float | None,
    u: float,
    words: str,
    compensated: bool | None,
    backlash: float,
) -> None:
    checked = made(read, lost, u)
    assert words in checked.finding
    assert checked.compensated is compensated
    assert checked.backlash == pytest.approx(backlash)
