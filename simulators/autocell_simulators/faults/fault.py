"""What every fault has in common, and the parts of a bench that it may lay hands on."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from autocell.description import BenchDescription
from autocell_simulators.faults.temperature import Temperature
from autocell_simulators.mechanics import SimulatedAxis
from autocell_simulators.meter import SimulatedMeter
from autocell_simulators.optics import TrueOptics
from autocell_simulators.truth import Truth
from autocell_simulators.wire import Wire

Number = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Count = Annotated[int, Field(strict=True, ge=1)]
Word = Annotated[str, Field(strict=True, min_length=1)]

Counted = Literal["query", "message", "move", "reading"]
"""What a schedule may count."""

UM, NM, URAD, MRAD, MM, MS, NW, PERCENT, MINUTE, HOUR = (
    1e-6, 1e-9, 1e-6, 1e-3, 1e-3, 1e-3, 1e-9, 1e-2, 60.0, 3600.0,
)  # fmt: skip


@dataclass
class BenchParts:
    """The parts of a simulated bench, for the faults of its mechanics, light and meter."""

    description: BenchDescription
    axes: Mapping[str, SimulatedAxis]
    meter: SimulatedMeter
    optics: Callable[[], TrueOptics]
    """The optics as they are at present."""
    positions: Callable[[], dict[str, float]]
    """Where every axis truly is at present, m or rad."""
    light_w: Callable[[], float]
    """Light on the meter at present."""
    power_cycle: Callable[[str], None]
    """Switches a device off and on again."""
    room: Temperature = field(default_factory=Temperature)
    clock_ahead_s: float = 0.0
    """By how much the time of day has jumped."""


@dataclass
class Rig:
    """All that faults act on: lines by device, and the bench behind them if it is ours."""

    wires: Mapping[str, Wire]
    bench: BenchParts | None = None

    @property
    def whole(self) -> BenchParts:
        """The bench; only wire faults do without it, and they do not ask."""
        assert self.bench is not None
        return self.bench


@dataclass(frozen=True)
class Cue:
    """The moment at which a fault begins, its random numbers, and who set it off, if anybody."""

    time_s: float
    random: np.random.Generator
    who: str | None = None
    """The axis that moves, or the device that answers."""

    def sign(self) -> float:
        """One or minus one."""
        return float(self.random.choice((-1.0, 1.0)))

    def direction(self) -> tuple[float, float]:
        """A unit vector in any direction across the beam."""
        angle = float(self.random.uniform(0.0, 2.0 * np.pi))
        return float(np.cos(angle)), float(np.sin(angle))


Change = Callable[[Truth, float], Truth]
"""What a fault makes of the truth at a time (s, by the bench's clock)."""


@dataclass(frozen=True)
class Effect:
    """A fault under way: how the truth differs meanwhile, and how to undo the rest."""

    change: Change | None = None
    steady: bool = True
    """Whether ``change`` is the same at any time."""
    undo: Callable[[], None] | None = None


class Fault(BaseModel, ABC):
    """One fault with its magnitudes, in trade units. Subclasses are the catalogue.

    ``begin`` makes it happen; for what stays, the effect says how. ``rows`` are the numbers by
    which docs/faults.md lists it.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: ClassVar[str]
    rows: ClassVar[tuple[int, ...]]
    usual: ClassVar[Mapping[str, float]] = {}
    """The schedule where the scenario gives none; empty means from the start on."""
    lasts: ClassVar[bool] = True
    """Whether it goes on until it is ended, so that ``for_s`` makes sense."""
    piles_up: ClassVar[bool] = False
    """Whether one that begins while another is under way comes on top of it."""
    part: ClassVar[float] = 0.5
    """Where in a move or a reading it begins, unless the scenario says."""
    counts: ClassVar[Counted] = "query"
    """What ``query`` and ``per_query`` count."""
    of_the_line: ClassVar[bool] = False
    """Whether it needs nothing but a line: it works in front of any instrument."""

    @abstractmethod
    def begin(self, rig: Rig, cue: Cue) -> Effect | None:
        """Make it happen now."""

    def objections(self, rig: Rig) -> Iterator[tuple[str, str]]:
        """Keys whose values do not suit this bench, and what would."""
        return iter(())


class AxisFault(Fault):
    """A fault of one axis; without ``axis`` of every axis that can have it."""

    axis: Word | None = None

    def chosen(self, rig: Rig) -> list[SimulatedAxis]:
        """The axes that it concerns."""
        axes = rig.whole.axes
        return [axes[name] for name in self.names(rig)]

    def names(self, rig: Rig) -> list[str]:
        """Their names."""
        able = [name for name, axis in rig.whole.axes.items() if self.can_have(axis)]
        return able if self.axis is None else [self.axis]

    def can_have(self, axis: SimulatedAxis) -> bool:
        """Whether an axis of this kind can have this fault."""
        return True

    def able(self) -> str:
        """In words, which axes can have it."""
        return "any axis"

    def objections(self, rig: Rig) -> Iterator[tuple[str, str]]:
        """An axis that does not exist, or whose drive cannot have this fault."""
        axes = rig.whole.axes
        if self.axis is not None and self.axis not in axes:
            yield "axis", f"no axis {self.axis!r}; the bench has {', '.join(axes)}"
        elif not any(self.can_have(axes[name]) for name in self.names(rig)):
            drives = ", ".join(f"{name} is {axis.drive.kind}" for name, axis in axes.items())
            yield "axis", f"only {self.able()} can have it ({drives}); set its drive under axes"


def replaced(part: object, **values: object) -> Callable[[], None]:
    """Give attributes of a part other values; what gives them back."""
    before = {name: getattr(part, name) for name in values}
    _assign(part, values)
    return lambda: _assign(part, before)


def all_of(steps: Iterable[Callable[[], None]]) -> Callable[[], None]:
    """One undo from several."""
    undo = list(steps)

    def every() -> None:
        for step in undo:
            step()

    return every


def meanwhile(parts: Iterable[object], **values: object) -> Effect:
    """Attributes of all these parts have other values until the fault ends."""
    return Effect(undo=all_of([replaced(part, **values) for part in parts]))


def _assign(part: object, values: Mapping[str, object]) -> None:
    for name, value in values.items():
        setattr(part, name, value)


def device_objections(device: str | None, known: Mapping[str, object]) -> Iterator[tuple[str, str]]:
    """A device that does not exist."""
    if device is not None and device not in known:
        yield "device", f"no device {device!r}; there are: {', '.join(known)}"
