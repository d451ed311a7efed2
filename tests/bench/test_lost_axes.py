"""An axis whose position is lost is refused by name, with what made it so and its own cure."""

from __future__ import annotations

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.bench.trust import Trust
from autocell.errors import MotionError


def test_lost_axes_are_refused_each_with_the_cure_for_its_kind() -> None:
    description = load(shipped("peat-bog-steps"))
    clock = VirtualClock()
    connect = connector(SimulatedBench(description, 5, clock))
    with open_bench(description, clock=clock, connect=connect) as bench:
        bench.refuse_lost_axes()
        bench.doubt("spacing", Trust.LOST, "its limit switch is closed")
        bench.doubt("pitch", Trust.LOST, "its controller was switched off")
        with pytest.raises(MotionError) as refused:
            bench.refuse_lost_axes()
        assert list(bench.lost()) == ["spacing", "pitch"]
        assert description.axes["pitch"].open_loop is not None
    spacing, pitch = str(refused.value).split("; pitch: ")
    assert spacing.startswith("spacing: its position is lost: its limit switch is closed; look at")
    assert "home the axis at its controller" in spacing
    assert pitch.startswith("its position is lost: its controller was switched off; look where")
    assert "autocell accept" in pitch
    assert "home" not in pitch
