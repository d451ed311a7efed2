"""The figures of a report; every function returns an inline SVG element."""

from autocell.report.mirror_figure import clearance_in_words, closest_to_hole, mirrors
from autocell.report.run_figures import timeline
from autocell.report.staircase_figure import staircase

__all__ = [
    "clearance_in_words",
    "closest_to_hole",
    "mirrors",
    "staircase",
    "timeline",
]
