"""A controller that knows relative moves only, played by the simulated bench: the same targets."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest
from autocell_drivers import ascii_motion
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.errors import NoReply

BENCH = load(shipped("peat-bog"))


class Stand:
    """One axis by its driver, on a dialect whose absolute move has been taken out."""

    def __init__(self, folder: Path, dialect: str, name: str) -> None:
        lines = shipped(dialect).read_text("utf-8").splitlines(keepends=True)
        kept = [line for line in lines if not line.startswith("move_to")]
        assert len(kept) == len(lines) - 1
        (folder / f"{dialect}.yaml").write_text("".join(kept), "utf-8")
        text = (
            shipped("peat-bog").read_text("utf-8").replace("plain-motion.yaml", f"{dialect}.yaml")
        )
        (folder / "bench.yaml").write_text(text, "utf-8")
        bench = load(folder / "bench.yaml")
        self.clock = VirtualClock()
        self.simulated = SimulatedBench(bench, 7, self.clock, scenario=Scenario())
        section = {
            **bench.devices["motion"].section,
            "identity": dialect.upper(),
            "path": str(folder),
        }
        self.device = ascii_motion.open_device(section, self.clock, connector(self.simulated))
        self.axis = self.device.axis(name, BENCH.axes[name].section)
        self.near = 3.0 * BENCH.axes[name].repeatability

    def rest(self) -> None:
        deadline = self.clock.now() + 20.0
        while self.axis.moving():
            assert self.clock.now() < deadline
            self.clock.sleep(0.01)


@pytest.mark.parametrize("dialect", ["plain-motion", "checked-motion"])
@pytest.mark.parametrize("name", ["spacing", "pitch"])
def test_nudges_end_where_they_were_sent_and_errors_do_not_add_up(
    tmp_path: Path, dialect: str, name: str
) -> None:
    stand = Stand(tmp_path, dialect, name)
    with closing(stand.device):
        start = stand.axis.position()
        for place in (1, 2, 3, -1, 0):
            target = start + place * 0.11111e-3
            stand.axis.start_move(target)
            assert stand.axis.moving()
            stand.rest()
            assert stand.axis.position() == pytest.approx(target, abs=stand.near)
    report = stand.simulated.truth_report()
    assert report["moves"] == 5
    assert report["limit_violations"] == 0


def test_nudge_after_a_stop_starts_from_where_the_axis_came_to_rest(tmp_path: Path) -> None:
    stand = Stand(tmp_path, "plain-motion", "spacing")
    with closing(stand.device):
        start = stand.axis.position()
        stand.axis.start_move(start - 5e-3)
        stand.clock.sleep(0.5)
        stand.axis.stop()
        stand.rest()
        assert start - 4e-3 < stand.axis.position() < start - 0.5e-3
        stand.axis.start_move(start)
        stand.rest()
        assert stand.axis.position() == pytest.approx(start, abs=stand.near)


@pytest.mark.parametrize("lost", ["lost-reply", "lost-command"])
def test_nudge_that_is_not_acknowledged_is_never_sent_twice(tmp_path: Path, lost: str) -> None:
    stand = Stand(tmp_path, "plain-motion", "spacing")
    with closing(stand.device):
        start = stand.axis.position()
        # the position is asked first, then comes the move
        stand.simulated.begin({"fault": lost, "device": "motion", "when": {"query": 2}})
        if lost == "lost-command":
            with pytest.raises(NoReply):
                stand.axis.start_move(start - 1e-3)
        else:
            stand.axis.start_move(start - 1e-3)
        stand.rest()
        moved = 0.0 if lost == "lost-command" else -1e-3
        assert stand.axis.position() == pytest.approx(start + moved, abs=stand.near)
    assert stand.simulated.truth_report()["moves"] == (lost == "lost-reply")
    assert [event.fault for event in stand.simulated.events] == [lost]
