"""What happens in a rehearsed night: the drift of every one, the serious faults of some, and the
causes that should be named after them. Magnitudes are common practice, no source."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any, ClassVar

from autocell.recovery import CauseName
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.director import Entry
from autocell_simulators.faults.fault import UM, Cue, Effect, Fault, Number, Rig
from autocell_simulators.seeds import stream
from autocell_simulators.truth import Truth

Happening = dict[str, Any]
Between = Callable[[float, float], float]

HOURS = 8.0
"""From the proof to the recovery."""

_SERIOUS = 0.1
"""Share of the nights on which more than drift happens."""

_MIRRORS, _WINDOW = CauseName.MIRRORS, CauseName.WINDOW
CAUSES: dict[str, tuple[CauseName, ...]] = {
    "knock": (CauseName.KNOCK,),
    "mirror-film": (_MIRRORS,),
    "dust": (_MIRRORS,),
    "condensation": (_WINDOW,),
    "wrong-wavelength": (_WINDOW,),
    "neighbouring-pass-count": (CauseName.SPACING,),
    "early-exit": (CauseName.SPACING,),
    "warm-up": (CauseName.LASER,),
    "slipped-mirror": (CauseName.SPACING,),
    "crept-mirror": (CauseName.ALIGNMENT,),
    "crept-launch": (CauseName.CLIPPING,),
}
"""What should be named after each serious fault; of the others nothing is to be named."""

DISPLACED = ("slipped-mirror", "crept-mirror", "crept-launch")
"""Faults of no scenario: a part of the bench stands elsewhere than when the pattern was proved, so
many nights ago. Drift within the bench file takes months to the end of a plateau."""


def what_happens(
    seed: int, knows_laser: bool, kind: int | None = None
) -> tuple[list[Happening], Happening | None]:
    """The drift of one night, within what benches are said to do, and the serious fault if there
    is one; all drawn from ``seed``. With ``kind`` there is one, of the kind with that number,
    counted round and round, the displaced parts among them."""
    random = stream(seed, "what happens this night")

    def between(low: float, high: float) -> float:
        return float(random.uniform(low, high))

    # without a reference meter a laser that drifts further is no drift within the limits
    most_percent = 5.0 if knows_laser else 2.0
    drift: list[Happening] = [
        {
            "fault": "room-temperature",
            "cycle_k": between(0.2, 0.5),
            "period_min": between(10.0, 40.0),
            "night_k": -between(0.5, 2.0),
        },
        {"fault": "spacing-expansion", "um_per_k": between(5.0, 12.0)},
        {"fault": "mount-tilt", "urad_per_k": between(1.0, 20.0)},
        {"fault": "launch-pointing", "urad_per_k": between(5.0, 20.0)},
        {"fault": "laser-drift", "percent": between(0.5, most_percent), "period_h": 12.0},
        {"fault": "creep", "urad": between(5.0, 20.0)},
    ]
    if kind is not None:
        kinds = [*_serious(between), *_displaced(between)]
        return drift, kinds[kind % len(kinds)]
    if random.random() >= _SERIOUS:
        return drift, None
    serious = _serious(between)
    return drift, serious[int(random.integers(len(serious)))]


def _serious(between: Between) -> list[Happening]:
    return [
        {"fault": "knock", "percent": between(10.0, 90.0)},
        {"fault": "mirror-film", "percent_per_month": 0.05, "months": between(2.0, 6.0)},
        {"fault": "dust", "percent": between(4.0, 8.0)},
        {"fault": "condensation", "percent": between(10.0, 60.0), "lasts_min": 2 * HOURS * 60.0},
        {"fault": "wrong-wavelength", "factor": between(1.1, 1.5)},
        {"fault": "neighbouring-pass-count"},
        {"fault": "early-exit"},
        {"fault": "warm-up", "percent": between(15.0, 40.0), "time_constant_min": 6000.0},
        {"fault": "power-cycle"},
        {"fault": "stick", "when": {"per_move": 0.05}},
        {"fault": "lost-reply", "when": {"per_query": 0.01}},
        {"fault": "garbled-reply", "when": {"per_query": 0.01}},
        {"fault": "disconnected", "device": "motion", "when": {"per_hour": 60.0}, "for_s": 20.0},
    ]


def _displaced(between: Between) -> list[Happening]:
    """To about the ends of 62 passes on the shipped bench: a mirror in one night, or by 6 µm a
    night, and the launch by 5 µm a night in any direction."""
    slipped, crept = (_either(between) * between(590.0, 700.0) for _ in range(2))
    launch, angle = between(1450.0, 1700.0), between(0.0, 2.0 * math.pi)
    return [
        {"fault": "slipped-mirror", "um": slipped},
        {"fault": "crept-mirror", "um": crept, "nights": abs(crept) / 6.0},
        {
            "fault": "crept-launch",
            "x_um": launch * math.cos(angle),
            "y_um": launch * math.sin(angle),
            "nights": launch / 5.0,
        },
    ]


def _either(between: Between) -> float:
    return math.copysign(1.0, between(-1.0, 1.0))


class _Displaced(Fault):
    """A mirror stands further along the axis, and the launch aside, than when they were set."""

    name: ClassVar = "displaced"
    um: Number = 0.0
    x_um: Number = 0.0
    y_um: Number = 0.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """From now on, as if it had come about while nobody looked."""

        def change(truth: Truth, time_s: float) -> Truth:
            return dataclasses.replace(
                truth,
                spacing_offset_m=truth.spacing_offset_m + UM * self.um,
                beam_x_offset_m=truth.beam_x_offset_m + UM * self.x_um,
                beam_y_offset_m=truth.beam_y_offset_m + UM * self.y_um,
            )

        return Effect(change)


def displace(
    bench: SimulatedBench, *, um: float = 0.0, x_um: float = 0.0, y_um: float = 0.0
) -> None:
    """Have the far mirror stand ``um`` further along the axis, and the beam beside where it was."""
    bench.begin(Entry(_Displaced(um=um, x_um=x_um, y_um=y_um)))
