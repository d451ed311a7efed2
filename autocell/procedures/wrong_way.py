"""What is said of an axis that moves the light the other way than the bench file has it."""

from __future__ import annotations

from autocell.description import AxisDescription


def wrong_way(axis: AxisDescription) -> str:
    """What is wrong, and its cure."""
    return (
        f"the light changes along {axis.name} the other way than the bench file has it: write "
        f"'direction: {-int(axis.section.get('direction', 1))}' in axes.{axis.name}, or turn the "
        "sign of what it moves"
    )
