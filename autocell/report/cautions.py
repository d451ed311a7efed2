"""Cautions that a report carries. They inform; local rules and the laser safety officer decide."""

from __future__ import annotations

from autocell.description import BenchDescription

_VISIBLE_M = (400e-9, 700e-9)
"""The visible band of IEC 60825-1."""


def in_short(bench: BenchDescription) -> str:
    """One line for the top of a page."""
    invisible = "" if _visible(bench) else "invisible "
    return (
        f"Laser class {bench.laser.safety_class}, {invisible}beam at "
        f"{bench.laser.wavelength_m * 1e9:.0f} nm; axes move without warning. "
        "This program is not a safety function."
    )


def in_full(bench: BenchDescription) -> list[str]:
    """Paragraphs in plain text."""
    laser = bench.laser
    unseen = (
        "The beam can be seen, which does not make it safe to look at."
        if _visible(bench)
        else "The beam cannot be seen, and a blink will not protect anyone."
    )
    return [
        f"Light. The bench file names laser class {laser.safety_class} (IEC 60825-1) at "
        f"{laser.wavelength_m * 1e9:.0f} nm, {laser.power_w * 1e3:.3g} mW at the entrance hole. "
        f"{unseen} Light leaks through the hole and past the mirrors while the pass count changes, "
        "in directions that move. Never look into the cell or along the output beam; keep beams "
        "enclosed and below eye level, and wear the eyewear that the laser safety officer names "
        f"for this wavelength. Pilot beam: {laser.pilot_beam}.",
        "Motion. The stage and the mirror mounts move without warning and can pinch, and a mirror "
        "can be driven against what stands in its way. Keep hands, tools and loose cables out "
        "while a run is under way; know where the hardware stop is.",
        "Software. Limits, caps and the stop of this program guard the optics against mistakes. "
        "They are not a safety function and replace no interlock, enclosure, limit switch or "
        "emergency stop. The shutter it may close is not a safety shutter.",
        "Local rules apply, and the laser safety officer decides.",
    ]


def _visible(bench: BenchDescription) -> bool:
    low, high = _VISIBLE_M
    return low <= bench.laser.wavelength_m <= high
