"""The states in which an axis has to stop, and what brings it into them. Whoever asks for one that
this bench cannot have is skipped, and says so."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import pytest

from autocell.bench.protocols import Axis
from autocell.description import AxisDescription
from autocell.errors import NoReply
from autocell_drivers.conformance.rig import Rig

STATES = (
    "at rest", "moving", "after a stop", "homing", "in silence", "with a late answer to come",
    "in fault",
)  # fmt: skip


def axes_on_lines(rig: Rig) -> list[AxisDescription]:
    """Those from whose lines something can be taken away. Skips the test when there are none."""
    axes = [described for described in rig.axes() if rig.is_on_a_line(described.device)]
    if not axes:
        pytest.skip("no axis of this bench has a line of its own that could be tapped")
    return axes


def first_of_a_stop(rig: Rig, axis: Axis, described: AxisDescription) -> bytes:
    """What leaves first when an axis at rest is told to stop: no question. Skips the test for a
    driver that lets nobody see what leaves."""
    before = len(rig.faults.left)
    axis.position()
    axis.moving()
    questions = set(rig.faults.written[before:])
    before = len(rig.faults.left)
    axis.stop()
    stop = rig.faults.written[before:]
    if not stop and not rig.is_on_a_line(described.device):
        pytest.skip("what leaves for this axis goes by no line, and nobody notes it")
    assert stop, "nothing leaves when this axis is told to stop"
    assert stop[0] not in questions
    return stop[0]


@contextmanager
def in_state(rig: Rig, axis: Axis, described: AxisDescription, state: str) -> Iterator[None]:
    """Within this an axis is in one of :data:`STATES`. Skips the test where it cannot be."""
    with ExitStack() as within:
        match state:
            case "moving" | "after a stop":
                axis.start_move(rig.small_move(axis, described))
                if state == "after a stop":
                    axis.stop()
            case "homing":
                if rig.bystander.homing is None:
                    pytest.skip("nobody is there who may home this axis")
                within.enter_context(rig.bystander.homing(axis))
            case "in fault":
                if rig.bystander.in_fault is None:
                    pytest.skip("nobody is there who can bring this axis into fault")
                within.enter_context(rig.bystander.in_fault(axis))
            case "in silence":
                if rig.bystander.hush is None and not rig.is_on_a_line(described.device):
                    pytest.skip("nobody is there who makes this axis silent")
                within.enter_context(rig.silence())
            case "with a late answer to come":
                axes_on_lines(rig)
                rig.faults.keep = 10**6
                with pytest.raises(NoReply):
                    axis.position()
                rig.faults.keep = 0
        yield


def brake(rig: Rig, axis: Axis, described: AxisDescription) -> None:
    """Wait until a stopped axis rests, one too that is said not to move before it has begun to."""
    rig.rest(axis, described)
    rig.clock.sleep(described.speed / described.acceleration)
