"""Readings that may be used: averaged, with their uncertainty; powers with the dark subtracted."""

from __future__ import annotations

from dataclasses import dataclass

from autocell.setting import Setting


@dataclass(frozen=True)
class Reading:
    """Power at a setting.

    ``setting`` is what the axes read back during the reading. ``uncertainty_w`` is the standard
    uncertainty of the mean of ``samples`` readings, dark level included. ``time_s`` is bench
    time since the run began. ``position_u`` has the standard uncertainty of the position of each
    open-loop axis, m or rad: the light is of where it was, the setting of where it was believed.
    """

    setting: Setting
    power_w: float
    uncertainty_w: float
    samples: int
    time_s: float
    position_u: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class PhaseReading:
    """Phase of intensity-modulated light at a setting, rad, up to whole turns.

    It grows with the path of the light, from a zero that nobody knows: only differences between
    readings of one run mean anything. ``uncertainty_rad`` is the standard uncertainty of the mean
    of ``samples`` readings, from their scatter alone.
    """

    setting: Setting
    phase_rad: float
    uncertainty_rad: float
    samples: int
    time_s: float
