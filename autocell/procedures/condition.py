"""What the meters show where the bench stands: what nights are compared by."""

from __future__ import annotations

import math

from autocell.bench.bench import Bench
from autocell.errors import BudgetError, DeviceError, ReadingError
from autocell.reading import Reading
from autocell.recovery import Condition, Ratio


def condition_now(bench: Bench, reading: Reading, *, forgiving: bool = False) -> Condition:
    """What there is to know beside a reading of the power that was just taken.

    Raises what a reading may raise when the reference meter or the thermometer fails, unless
    ``forgiving``: then it is as if there were none.
    """
    reference = temperature_c = None
    try:
        reference = bench.read_reference("the laser, beside the power")
        temperature_c = bench.read_temperature_c("beside the power")
    except (BudgetError, DeviceError, ReadingError):  # the power itself is known
        if not forgiving:
            raise
    return Condition(
        reading.power_w,
        reading.uncertainty_w,
        None if bench.dark is None else bench.dark.power_w,
        None if reference is None else reference.power_w,
        None if reference is None else reference.uncertainty_w,
        temperature_c,
        None if bench.dark is None else bench.dark.uncertainty_w,
    )


def power_ratio(now: Condition, then: Condition) -> Ratio:
    """Power now over power then, with the laser taken out where both know it."""
    ratio = _over(now.power_w, now.power_u_w, then.power_w, then.power_u_w)
    laser = laser_ratio(now, then)
    if laser is None or laser.value <= 0.0:
        return ratio
    return _over(ratio.value, ratio.u, laser.value, laser.u)


def laser_ratio(now: Condition, then: Condition) -> Ratio | None:
    """What the reference meter reads now over what it read then; None where either is unknown."""
    if (
        now.reference_w is None
        or now.reference_u_w is None
        or then.reference_w is None
        or then.reference_u_w is None
    ):
        return None
    return _over(now.reference_w, now.reference_u_w, then.reference_w, then.reference_u_w)


def _over(value: float, u: float, by: float, by_u: float) -> Ratio:
    ratio = value / by
    return Ratio(ratio, math.hypot(u / by, ratio * by_u / by))
