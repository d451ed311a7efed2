"""Mornings after nights that never were; see invented.py."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import pytest

from autocell.bench.file import load, shipped
from autocell.description import BenchDescription
from autocell.records import Store
from autocell.report.morning.morning import Morning
from autocell.session.mornings import look_back
from tests.morning.invented import HELSINKI, Story, invented_nights

Told = Callable[[Story], Morning]


@pytest.fixture(scope="session")
def bench() -> BenchDescription:
    return load(shipped("peat-bog-reference"))


def at_seven(story: Story) -> datetime:
    """The morning after the last night of a story."""
    day = story.began + timedelta(days=story.nights)
    return datetime.combine(day, time(7, 0), HELSINKI).astimezone(UTC)


@pytest.fixture
def told(bench: BenchDescription) -> Iterator[Told]:
    """The morning after a story."""
    with ExitStack() as open_until_the_end:

        def tell(story: Story) -> Morning:
            store = open_until_the_end.enter_context(invented_nights(":memory:", bench, story))
            return look_back(store, bench, at_seven(story), HELSINKI)

        yield tell


@pytest.fixture(scope="session")
def thirty(bench: BenchDescription) -> Morning:
    """The morning after thirty nights."""
    story = Story()
    with invented_nights(":memory:", bench, story) as store:
        return look_back(store, bench, at_seven(story), HELSINKI)


@pytest.fixture
def another(bench: BenchDescription) -> BenchDescription:
    """A bench of the same name whose file says something else."""
    return replace(bench, sha256="0" * 64)


@pytest.fixture
def empty(bench: BenchDescription) -> Iterator[Morning]:
    """The morning of a bench that has never had a run."""
    with Store.open(":memory:") as store:
        yield look_back(store, bench, datetime(2026, 11, 26, 5, tzinfo=UTC), HELSINKI)
