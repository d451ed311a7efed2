"""Go the way again that led to a pattern before.

Where the readings of an earlier proof told the pattern from its rivals, they will again: a bench
changes less from one night to the next than rivals differ. So they are taken first, one after the
other, and the belief takes them in at once. Nothing but where to read comes from the earlier run,
and if the bench has changed the readings say so.
"""

from __future__ import annotations

from autocell.errors import LimitError, ReadingError
from autocell.procedures.tuning import Tuning, Way
from autocell.setting import Setting

_STAGE = "retrace"

_THERE_M = 1e-4
"""A reading so close to where the pattern was is one there."""


def retrace(tuning: Tuning, way: Way) -> None:
    """Read where rivals were told from the pattern and where it was, in the order of how far they
    are from there, and take all in. The pattern's input beam is that at the end of the way."""
    tuning.beam = way.ended

    def far_from_the_end(setting: Setting) -> float:
        return abs(setting.spacing_m - way.ended.spacing_m)

    for setting in sorted(way.telling, key=far_from_the_end, reverse=True):
        if not tuning.has_read_near([setting])[0]:
            try:
                tuning.note_at(setting, _STAGE, "reading where rivals differed before")
            except (LimitError, ReadingError):
                continue  # it goes without, and is not told to the next
        tuning.telling.append(setting)
    if not tuning.has_read_near([way.ended], _THERE_M)[0]:
        tuning.note_at(way.ended, _STAGE, f"reading where {tuning.passes} passes were before")
    tuning.belief.reckon()
