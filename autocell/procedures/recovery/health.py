"""Is the bench well, beside its power? Dark level and temperature against the reference setting.

Neither moves anything: the dark level is subtracted as it is found, and what a temperature has done
shows in the power. They are told, so that somebody may look at the meter, or at the room.
"""

from __future__ import annotations

import math

from autocell.description import BenchDescription
from autocell.recovery import Condition, HealthCheck

_SIGMAS = 3.0


def health(bench: BenchDescription, now: Condition, then: Condition) -> tuple[HealthCheck, ...]:
    """What both ``now`` and ``then`` know."""
    found = (_dark(bench, now, then), _temperature(bench, now, then))
    return tuple(check for check in found if check is not None)


def _dark(bench: BenchDescription, now: Condition, then: Condition) -> HealthCheck | None:
    """Compared only where there is a shutter: without one the level is assumed and not measured.

    It may have changed by three standard uncertainties of the difference, as far as the meter's
    noise explains that, and by what the bench file lets be left of it.
    """
    if bench.shutter is None or now.dark_w is None or then.dark_w is None:
        return None
    floor_w = bench.meter.noise_floor_w
    u_w = math.hypot(*(floor_w if at.dark_u_w is None else at.dark_u_w for at in (now, then)))
    change_w, limit_w = now.dark_w - then.dark_w, _SIGMAS * u_w + bench.meter.dark_tolerance_w
    over = abs(change_w) > limit_w
    return HealthCheck(
        "dark level",
        change_w,
        limit_w,
        "W",
        f"the dark level is {1e6 * now.dark_w:.3g} µW, {1e6 * change_w:+.3g} µW since the "
        f"reference setting, {'more than' if over else 'within'} the {1e6 * limit_w:.3g} µW that "
        "the meter's noise and tolerance explain",
    )


def _temperature(bench: BenchDescription, now: Condition, then: Condition) -> HealthCheck | None:
    if now.temperature_c is None or then.temperature_c is None:
        return None
    change_k, limit_k = now.temperature_c - then.temperature_c, bench.recovery.temperature_within_k
    over = abs(change_k) > limit_k
    return HealthCheck(
        "temperature",
        change_k,
        limit_k,
        "K",
        f"the temperature is {now.temperature_c:.2f} °C, {change_k:+.2f} K since the reference "
        f"setting, {'beyond' if over else 'within'} {limit_k:g} K",
    )


def remarks(checks: tuple[HealthCheck, ...]) -> str:
    """What is beyond its limit, to be added to a sentence; empty when all is well."""
    return "".join(f"; {check.statement}" for check in checks if not check.within)
