"""What a procedure says when it cannot begin."""

from __future__ import annotations

import pytest

from autocell.bench.trust import Trust
from autocell.errors import MotionError
from autocell.procedures.ending import refuse_lost_axes

from .conftest import Start


def test_lost_axes_are_refused_by_name_and_with_what_made_them_so(start: Start) -> None:
    tuning, _ = start()
    refuse_lost_axes(tuning.bench)
    tuning.bench.doubt("spacing", Trust.LOST, "its limit switch is closed")
    tuning.bench.doubt("yaw", Trust.LOST, "its controller was switched off")
    with pytest.raises(MotionError) as refused:
        refuse_lost_axes(tuning.bench)
    assert "the position of spacing is lost: its limit switch is closed" in str(refused.value)
    assert "the position of yaw is lost: its controller was switched off" in str(refused.value)
    assert "pitch" not in str(refused.value)
