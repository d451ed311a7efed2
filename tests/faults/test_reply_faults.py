"""One reply in a hundred that is late, lost or broken costs a change time, and not much of it."""

import pytest

from tests.faults.reply_faults import REPLY_FAULTS, Row, measure

pytestmark = pytest.mark.thorough

TIMES = 6


@pytest.fixture(scope="module")
def rows() -> dict[str, Row]:
    """By the virtual clock, with the same moves and readings as on a line that never fails."""
    return measure(38, benches=1, times=TIMES, luck=0, seed=20261125, faults=REPLY_FAULTS)


@pytest.mark.parametrize("fault", REPLY_FAULTS)
def test_replies_that_fail_now_and_then_cost_less_than_half_the_time_again(
    rows: dict[str, Row], fault: str
) -> None:
    row = rows[fault]
    assert row.struck > TIMES
    assert row.ended == {"reached": TIMES}, row.reasons
    assert not row.untrue
    assert max(row.ratios) < 1.5
