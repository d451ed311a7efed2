"""Units by the names that instruments and libraries give them."""

from __future__ import annotations

import math
from typing import Literal

Kind = Literal["linear", "angular", "power"]

_UNITS: dict[str, tuple[Kind, float]] = {
    "m": ("linear", 1.0),
    "cm": ("linear", 1e-2),
    "mm": ("linear", 1e-3),
    "um": ("linear", 1e-6),
    "µm": ("linear", 1e-6),
    "micron": ("linear", 1e-6),
    "microns": ("linear", 1e-6),
    "nm": ("linear", 1e-9),
    "rad": ("angular", 1.0),
    "mrad": ("angular", 1e-3),
    "urad": ("angular", 1e-6),
    "µrad": ("angular", 1e-6),
    "deg": ("angular", math.pi / 180.0),
    "degree": ("angular", math.pi / 180.0),
    "degrees": ("angular", math.pi / 180.0),
    "W": ("power", 1.0),
    "mW": ("power", 1e-3),
    "uW": ("power", 1e-6),
    "µW": ("power", 1e-6),
    "nW": ("power", 1e-9),
}


def si_per(unit: str, kind: Kind) -> float | None:
    """What one ``unit`` is in m, rad or W. None where it is no unit of that kind.

    Capitals count only for powers, where mW and MW would be ten to the nine apart.
    """
    name = unit.strip().replace("μ", "µ")
    found = _UNITS.get(name) or _UNITS.get(name.lower())
    if found is None or found[0] != kind:
        return None
    if kind == "power" and name not in _UNITS:
        return None
    return found[1]


def names(kind: Kind) -> str:
    """The units of a kind, for a message."""
    return ", ".join(name for name, (of_kind, _) in _UNITS.items() if of_kind == kind)
