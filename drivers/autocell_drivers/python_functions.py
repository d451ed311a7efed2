"""What a laboratory says of its own functions: which of them read, move and stop."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

Key = int | str


@dataclass(frozen=True)
class AxisFunctions:
    """An axis: what reads it, moves it and stops it, in ``unit`` (mm, um, mrad, deg, …).

    With ``moving``, ``move`` only starts a move and returns. Without, it may return at once or
    only when the axis is there; ``position`` and ``stop`` must then work from other threads
    meanwhile. ``limits`` gives the low and high end of the travel, where something knows them.
    """

    position: Callable[[], float]
    move: Callable[[float], object]
    stop: Callable[[], object]
    moving: Callable[[], bool] | None = None
    limits: Callable[[], tuple[float, float]] | None = None
    unit: str = "mm"


@dataclass(frozen=True)
class MeterFunctions:
    """A power meter: what takes a fresh reading, never one from before the call, in ``unit``.

    A reading that is not finite, such as NaN or infinity, counts as overrange.
    """

    read: Callable[[], float]
    unit: str = "W"


@dataclass(frozen=True)
class ShutterFunctions:
    """A shutter: what blocks the beam and lets it pass; each returns when that is so."""

    close: Callable[[], object]
    open: Callable[[], object]


@dataclass(frozen=True)
class Instrument:
    """What the function returns that a device section names: who is there, and what it carries.

    The keys are the ``channel`` of the bench file's axes, meter and shutter.
    """

    identity: str
    axes: Mapping[Key, AxisFunctions] = field(default_factory=dict)
    meters: Mapping[Key, MeterFunctions] = field(default_factory=dict)
    shutters: Mapping[Key, ShutterFunctions] = field(default_factory=dict)
    close: Callable[[], object] = lambda: None
