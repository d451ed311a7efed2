"""Which patterns a bench can reach, of which shape, and how much margin each leaves.

The light enters at the hole, at an end of an axis of the pattern. What it brings along of
tangential slope decides the shape: none makes a line, that of the circle a circle, any other
an ellipse whose other half-axis is as many times longer or shorter.
"""

from autocell.patterns.choice import choose_pattern, closest_to_path, list_patterns
from autocell.patterns.details import Details, Sensitivity, details
from autocell.patterns.judging import CLEARANCE_WANTED, spacing_reach
from autocell.patterns.pattern import SHAPES, Pattern, Shape

__all__ = [
    "CLEARANCE_WANTED",
    "SHAPES",
    "Details",
    "Pattern",
    "Sensitivity",
    "Shape",
    "choose_pattern",
    "closest_to_path",
    "details",
    "list_patterns",
    "spacing_reach",
]
