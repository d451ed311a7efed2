"""How a simulated bench may be found at the start, by name."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from autocell_simulators.faults.director import Entry
from autocell_simulators.faults.environment import (
    DustSpeck,
    Knock,
    MirrorFilm,
    nearest_other_pattern_m,
)
from autocell_simulators.faults.light import (
    LaunchPointing,
    MountTilt,
    RoomTemperature,
    SpacingExpansion,
)

if TYPE_CHECKING:
    from autocell_simulators.bench import SimulatedBench


@dataclass(frozen=True)
class StartState:
    """Where the axes are, and what has gone wrong before anybody came."""

    place: Callable[[SimulatedBench], None]
    faults: Sequence[Entry] = ()


def _six_pass(bench: SimulatedBench) -> None:
    """One focal length between the mirrors by the bench file, input axes at zero."""
    description = bench.description
    one_focal_length_m = 0.5 * description.entrance_mirror.radius_m
    positions = description.positions(description.zero.at_spacing(one_focal_length_m))
    for name, axis in bench.axes.items():
        axis.place(positions[name])


def _aligned(bench: SimulatedBench) -> None:
    """Six passes, with spacing and input beam truly as the bench file has them."""
    description, optics = bench.description, bench.optics
    wanted = description.zero.at_spacing(0.5 * description.entrance_mirror.radius_m).as_array()
    zero = np.array(optics.setting({}))
    effects = np.array([np.array(optics.setting({name: 1.0})) - zero for name in bench.axes]).T
    positions, *_ = np.linalg.lstsq(effects, wanted - zero, rcond=None)
    for axis, position in zip(bench.axes.values(), positions, strict=True):
        axis.place(min(max(float(position), axis.traits.low), axis.traits.high))


def _power_cycled(bench: SimulatedBench) -> None:
    """Six passes, and a controller that has just forgotten where it is."""
    _six_pass(bench)
    for axis in bench.axes.values():
        axis.power_cycle()


def _dark(bench: SimulatedBench) -> None:
    """Six passes, with the laser off."""
    _six_pass(bench)
    bench.laser_on = False


def _wrong_pass_count(bench: SimulatedBench) -> None:
    """Near six passes, where clean power has made other passes."""
    _six_pass(bench)
    stage = bench.optics.stage
    if stage is not None:
        axis = bench.axes[stage]
        per_travel = bench.truth.axis_gain[stage] * bench.description.axes[stage].effect[0]
        axis.place(axis.true_position + nearest_other_pattern_m(bench.rig.whole) / per_travel)


START_STATES: Mapping[str, StartState] = {
    "six-pass": StartState(_six_pass),
    "aligned": StartState(_aligned),
    "knocked": StartState(_six_pass, [Entry(Knock(percent=60.0))]),
    "power-cycled": StartState(_power_cycled),
    "dark": StartState(_dark),
    "wrong-pass-count": StartState(_wrong_pass_count),
    "hot": StartState(
        _six_pass,
        [
            Entry(RoomTemperature(away_k=5.0)),
            Entry(SpacingExpansion()),
            Entry(MountTilt()),
            Entry(LaunchPointing()),
        ],
    ),
    "dusty": StartState(_six_pass, [Entry(DustSpeck(percent=5.0)), Entry(MirrorFilm(months=6.0))]),
}
