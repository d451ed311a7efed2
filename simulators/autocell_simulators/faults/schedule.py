"""When a fault begins: at a time, at the n-th query, at random, during a move or a reading."""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable
from typing import Annotated

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from autocell_simulators.faults.fault import HOUR, Count, Counted, NotNegative, Positive

Share = Annotated[float, Field(gt=0, le=1, allow_inf_nan=False)]
Part = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]

KINDS = ("at_s", "per_hour", "query", "per_query", "move", "per_move", "reading", "per_reading")


class When(BaseModel):
    """One of: a time after the start; a mean number per hour; the n-th query, move or reading; the
    chance of each. ``part`` is how far into the move or the reading it begins."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    at_s: NotNegative | None = None
    per_hour: Positive | None = None
    query: Count | None = None
    per_query: Share | None = None
    move: Count | None = None
    per_move: Share | None = None
    reading: Count | None = None
    per_reading: Share | None = None
    part: Part | None = None

    @model_validator(mode="after")
    def _one_of_them(self) -> When:
        given = [kind for kind in KINDS if getattr(self, kind) is not None]
        if len(given) != 1:
            raise ValueError(f"write exactly one of {', '.join(KINDS)}")
        if self.part is not None and not {"move", "per_move", "reading", "per_reading"} & {*given}:
            raise ValueError("part is of a move or of a reading; take it out")
        return self


class Schedule:
    """Decides when one fault begins; its random numbers are its own."""

    __slots__ = ("_count", "_every", "_nth", "_per_hour", "_random", "counted", "next_s", "part")

    def __init__(
        self,
        when: When | None,
        start_s: float,
        random: np.random.Generator,
        query: Counted,
        part: float,
    ) -> None:
        self._random = random
        self._count = 0
        self.counted: Counted | None = None
        """What it counts; None for one that goes by time."""
        self.next_s: float | None = None
        """When it begins next, by time."""
        self.part = part if when is None or when.part is None else when.part
        self._nth: int | None = None
        self._every: float | None = None
        self._per_hour: float | None = None
        if when is None:
            self.next_s = start_s
            return
        kinds: tuple[tuple[Counted, int | None, float | None], ...] = (
            (query, when.query, when.per_query),
            ("move", when.move, when.per_move),
            ("reading", when.reading, when.per_reading),
        )
        for counted, nth, every in kinds:
            if nth is not None or every is not None:
                self.counted, self._nth, self._every = counted, nth, every
        if when.at_s is not None:
            self.next_s = start_s + when.at_s
        self._per_hour = when.per_hour
        self._draw_next(start_s)

    def counts(self) -> bool:
        """One more has come of what it counts; whether the fault begins with it."""
        self._count += 1
        if self._every is not None:
            return bool(self._random.random() < self._every)
        return self._count == self._nth

    def began(self) -> None:
        """It has begun at the time that was told; the next one, if there is one."""
        begun_s, self.next_s = self.next_s, None
        if begun_s is not None:
            self._draw_next(begun_s)

    def _draw_next(self, from_s: float) -> None:
        if self._per_hour is not None:
            self.next_s = from_s + float(self._random.exponential(HOUR / self._per_hour))


class Agenda:
    """What is to be done at which time, in that order."""

    __slots__ = ("_entries", "_numbers")

    def __init__(self) -> None:
        self._entries: list[tuple[float, int, Callable[[float], None]]] = []
        self._numbers = itertools.count()

    @property
    def next_s(self) -> float:
        """When something is next to be done; infinite when nothing is."""
        return self._entries[0][0] if self._entries else math.inf

    def add(self, time_s: float, action: Callable[[float], None]) -> None:
        """Do ``action`` at ``time_s``, and tell it that time."""
        heapq.heappush(self._entries, (time_s, next(self._numbers), action))

    def do(self, time_s: float) -> None:
        """Do all that is due by ``time_s``, and what becomes due by it."""
        while self._entries and self._entries[0][0] <= time_s:
            due_s, _, action = heapq.heappop(self._entries)
            action(due_s)
