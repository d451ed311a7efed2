"""A power reading that may be used: dark subtracted, averaged, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

from autocell.setting import Setting


@dataclass(frozen=True)
class Reading:
    """Power at a setting.

    ``setting`` is what the axes read back during the reading. ``uncertainty_w`` is the standard
    uncertainty of the mean of ``samples`` readings, dark level included. ``time_s`` is bench
    time since the run began.
    """

    setting: Setting
    power_w: float
    uncertainty_w: float
    samples: int
    time_s: float
