"""A programme file is refused with file, line, key and cure before anything is opened."""

from __future__ import annotations

import pytest

from autocell.errors import BenchFileError, UsageError
from autocell.programme.programme import Change, Settle, WaitUntil, load
from tests.programme.conftest import NIGHTS, Write


def test_what_is_written_is_loaded_in_seconds_and_local_times(write: Write) -> None:
    programme = load(write(NIGHTS))
    change, settle, wait, last = programme.steps
    assert change == Change(62, skip_if_held=False)
    assert settle == Settle(1200.0, skip_if_held=False)
    assert isinstance(wait, WaitUntil)
    assert f"{wait.local:%H:%M}" == "02:00"
    assert last == Change(50, skip_if_held=True)
    assert programme.zone.key == "Europe/Helsinki"


@pytest.mark.parametrize(
    ("old", "new", "line", "told"),
    [
        ("- change: 62", "- changed: 62", 8, "did you mean change"),
        ("- change: 62", "- change: 63", 8, "63 passes cannot be set"),
        ("settle_min: 20", "settle_s: 20", 9, "write settle_min"),
        ('wait_until: "02:00"', 'wait_until: "25:00"', 10, "no time of day"),
        ("wait_until", "settle_min: 5\n    wait_until", 10, "settle_min and wait_until at once"),
        ("time_zone: Europe/Helsinki", "time_zone: Europe/Peatland", 4, "no such time zone"),
        ("on_held: go on", "on_held: panic", 6, "'go on', 'end the night'"),
        ("bench: peat-bog", "bench: peat-bogs", 3, "no configuration 'peat-bogs'"),
        ("on_held", "recover: true\non_held", 6, "unknown key"),
    ],
)
def test_a_fault_is_told_with_its_line_and_its_cure(
    old: str, new: str, line: int, told: str, write: Write
) -> None:
    assert NIGHTS.count(old) == 1 or old == "wait_until"
    path = write(NIGHTS.replace(old, new, 1))
    with pytest.raises(UsageError, match=told) as refused:
        load(path)
    assert f"{path}:{line}: " in str(refused.value)


def test_all_faults_are_told_at_once(write: Write) -> None:
    text = NIGHTS.replace("go on", "panic").replace("settle_min: 20", "settle_min: -1")
    with pytest.raises(UsageError) as refused:
        load(write(text))
    assert len(str(refused.value).splitlines()) == 2


def test_faults_of_the_bench_file_are_its_own(write: Write) -> None:
    path = write(NIGHTS.replace("bench: peat-bog", "bench: none.yaml"))
    with pytest.raises(BenchFileError, match="there is no such bench file"):
        load(path)


def test_a_file_that_is_no_programme(write: Write) -> None:
    for text in ("- 1\n", "a: [", "\x00"):
        with pytest.raises(UsageError, match=r"programme\.yaml:1"):
            load(write(text))
