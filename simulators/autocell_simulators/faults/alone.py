"""Each fault alone at its usual size, and the pairs that are known to be worse than their parts, as
scenarios for any bench.

What a fault needs so that it can strike at all comes with it: a drive that can have it, or a room
whose temperature changes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from autocell.description import BenchDescription
from autocell_simulators.faults.catalogue import FAULTS
from autocell_simulators.faults.mechanics import PiezoFault
from autocell_simulators.faults.scenario import AxisSection, Scenario, entry

Section = Mapping[str, Any]

_ON_THE_WAY_S = 6.0
"""When lines fail: a change has left its start by then and is not at its end."""
_FOR_A_WHILE: Section = {"when": {"at_s": _ON_THE_WAY_S}, "for_s": 5.0}
_AT_A_SAMPLE: Section = {"when": {"reading": 40}}
"""The light changes in the middle of one of the first readings on the way."""
_ROOM: Section = {"fault": "room-temperature"}
_FOLLOW_THE_ROOM: Sequence[Section] = (
    {"fault": "spacing-expansion"},
    {"fault": "mount-tilt"},
    {"fault": "launch-pointing"},
)

_WITH: Mapping[str, Section] = {
    "missed-steps": {"axis": "spacing"},
    "power-cycle": {"when": {"move": 5}},
    "mode-hop": _AT_A_SAMPLE,
    "knock": _AT_A_SAMPLE,
    "neighbouring-pass-count": _AT_A_SAMPLE,
    "early-exit": _AT_A_SAMPLE,
    "slow-line": _FOR_A_WHILE,
    "silent": _FOR_A_WHILE,
    "disconnected": _FOR_A_WHILE,
    "clock-change": {"when": {"at_s": _ON_THE_WAY_S}},
    "full-disk": {"when": {"at_s": _ON_THE_WAY_S}},
    "unreadable-store": {"when": {"at_s": _ON_THE_WAY_S}},
}
"""When those begin that would otherwise be over before anybody looks, and where."""

_BESIDE: Mapping[str, Sequence[Section]] = {
    "room-temperature": _FOLLOW_THE_ROOM,
    "spacing-expansion": (_ROOM,),
    "mount-tilt": (_ROOM,),
    "launch-pointing": (_ROOM,),
}

PAIRS: Mapping[str, Sequence[str]] = {
    "laser drift and thermal tilt": ("laser-drift", "mount-tilt"),
    "late replies and backlash": ("late-reply", "backlash"),
    "power cycle and spacing expansion": ("power-cycle", "spacing-expansion"),
    "etalon and step scatter": ("etalon-fringe", "step-scatter"),
}
"""What hides behind each other: one looks like the other, or is undone by what cures it."""

NEEDS_A_FILE = ("full-disk", "unreadable-store")
"""Faults of a file that the scenario has to name."""


def alone(fault: str, description: BenchDescription, file: Path | None = None) -> Scenario:
    """The scenario in which nothing but ``fault`` goes wrong, at its usual size; to ``file``, if it
    is a fault that needs one."""
    return together((fault,), description, name=fault, file=file)


def together(
    faults: Sequence[str], description: BenchDescription, *, name: str, file: Path | None = None
) -> Scenario:
    """The scenario in which all of these go wrong, each at its usual size."""
    sections: list[Section] = []
    for fault in faults:
        of_file = {"file": str(file)} if fault in NEEDS_A_FILE else {}
        own = {"fault": fault, **_WITH.get(fault, {}), **of_file}
        for section in (*_BESIDE.get(fault, ()), own):
            if section not in sections:
                sections.append(section)
    drives: dict[str, AxisSection] = {}
    for fault in faults:
        drives |= _drives(fault, description)
    return Scenario(name, axes=drives, entries=[entry(section) for section in sections])


def _drives(fault: str, description: BenchDescription) -> dict[str, AxisSection]:
    """Drives that can have the fault: mounts have piezo drives, stages steppers. [trade]"""
    if issubclass(FAULTS[fault], PiezoFault):
        mounts = [name for name, axis in description.axes.items() if axis.unit == "mrad"]
        return {name: AxisSection(drive="piezo-inertia") for name in mounts}
    if fault == "missed-steps":
        return {"spacing": AxisSection(drive="stepper")}
    return {}
