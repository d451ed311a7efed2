"""Begins and ends the faults of one scenario on one rig, and keeps account of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from autocell_simulators.faults.fault import Counted, Cue, Effect, Fault, Rig
from autocell_simulators.faults.schedule import Agenda, Schedule, When
from autocell_simulators.seeds import stream
from autocell_simulators.truth import Truth


@dataclass(frozen=True)
class Event:
    """A fault began or ended; ``who`` is the axis or the device that it had to do with.

    ``count`` is the number of the query, move or reading that set it off, by this fault's count.
    """

    time_s: float
    fault: str
    what: str
    who: str | None = None
    count: int | None = None


@dataclass(frozen=True)
class Entry:
    """A fault, when it begins, and for how long it stays (s; None: until it is ended)."""

    fault: Fault
    when: When | None = None
    for_s: float | None = None


@dataclass(eq=False)
class _UnderWay:
    """An effect, and when it ends (None: when somebody ends it)."""

    effect: Effect
    ends_s: float | None


class _Cast:
    """One entry on the stage: its schedule, and what of it is under way."""

    __slots__ = ("count", "entry", "random", "schedule", "under_way")

    def __init__(self, entry: Entry, seed: int, number: int, start_s: float) -> None:
        fault = entry.fault
        name = f"fault {fault.name} {number}"
        when = entry.when or (When.model_validate(fault.usual) if fault.usual else None)
        self.entry = entry
        self.schedule = Schedule(
            when, start_s, stream(seed, f"{name}: schedule"), fault.counts, fault.part
        )
        self.random = stream(seed, name)
        self.under_way: list[_UnderWay] = []
        self.count = 0

    def concerns(self, who: str | None) -> bool:
        """Whether it counts what this axis or device does."""
        fault = self.entry.fault
        mine = getattr(fault, "axis", None) or getattr(fault, "device", None)
        return mine is None or mine == who


class Director:
    """Plays a scenario. Tell it what passes, advance it in time, and ask it for the truth.

    Each fault has random numbers of its own, by its name and its place among those of that name:
    another fault added to a scenario changes nothing about the rest.
    """

    __slots__ = ("_agenda", "_cast", "_numbers", "_rig", "_seed", "_start_s", "_truth", "events")

    def __init__(self, rig: Rig, seed: int, start_s: float) -> None:
        self._rig = rig
        self._seed = seed
        self._start_s = start_s
        self._agenda = Agenda()
        self._cast: list[_Cast] = []
        self._numbers: Counter[str] = Counter()
        self._truth: tuple[float | None, Truth] | None = None
        """As it was last asked for; at which time, None for any."""
        self.events: list[Event] = []

    def add(self, entries: Sequence[Entry], time_s: float) -> None:
        """Have these faults too, their times counted from ``time_s``."""
        for entry in entries:
            number = self._numbers[entry.fault.name]
            self._numbers[entry.fault.name] += 1
            cast = _Cast(entry, self._seed, number, time_s)
            self._cast.append(cast)
            self._expect(cast)
        self._agenda.do(time_s)

    def end(self, name: str, time_s: float) -> int:
        """End all faults of this name, and begin none of them again; how many there were."""
        ended = [cast for cast in self._cast if cast.entry.fault.name == name]
        self._cast = [cast for cast in self._cast if cast not in ended]
        for cast in ended:
            for under_way in list(cast.under_way):
                self._end(cast, under_way, time_s)
        return len(ended)

    @property
    def next_s(self) -> float:
        """When something begins or ends next; infinite if nothing is known to."""
        return self._agenda.next_s

    def advance(self, time_s: float) -> None:
        """Begin and end what is due by ``time_s``."""
        self._agenda.do(time_s)

    def count(
        self, counted: Counted, who: str | None, start_s: float, end_s: float | None = None
    ) -> None:
        """A query, move or reading of ``who`` has begun; a move or reading will end at ``end_s``.

        What begins with it begins at its part of that time, at once where there is none.
        """
        for cast in list(self._cast):
            if cast.schedule.counted != counted or not cast.concerns(who):
                continue
            cast.count += 1
            if not cast.schedule.counts():
                continue
            if end_s is None or cast.schedule.part == 0.0:
                self._begin(cast, who, cast.count, start_s)
            else:
                due_s = start_s + cast.schedule.part * (end_s - start_s)
                self._agenda.add(due_s, partial(self._begin, cast, who, cast.count))

    def changed(self, truth: Truth, time_s: float) -> Truth:
        """``truth`` as the faults under way change it at a time; the same one while they do not."""
        if self._truth is not None and self._truth[0] in (None, time_s):
            return self._truth[1]
        steady = True
        for cast in self._cast:
            for effect in (under_way.effect for under_way in cast.under_way):
                if effect.change is not None:
                    truth = effect.change(truth, time_s)
                    steady = steady and effect.steady
        self._truth = (None if steady else time_s, truth)
        return truth

    def _expect(self, cast: _Cast) -> None:
        """Have the agenda begin it at the next of its times."""
        if cast.schedule.next_s is not None:
            self._agenda.add(cast.schedule.next_s, partial(self._begin_on_time, cast))

    def _begin_on_time(self, cast: _Cast, time_s: float) -> None:
        self._begin(cast, None, None, time_s)
        cast.schedule.began()
        if cast in self._cast:
            self._expect(cast)

    def _begin(self, cast: _Cast, who: str | None, count: int | None, time_s: float) -> None:
        if cast not in self._cast:
            return
        fault, for_s = cast.entry.fault, cast.entry.for_s
        ends_s = None if for_s is None else time_s + for_s
        if cast.under_way and not fault.piles_up:
            under_way = cast.under_way[0]  # it goes on
            under_way.ends_s = ends_s
        else:
            effect = fault.begin(self._rig, Cue(time_s, cast.random, who))
            under_way = _UnderWay(effect or Effect(), ends_s)
            if fault.lasts:
                cast.under_way.append(under_way)
        self._truth = None
        self._note(time_s, fault.name, "begins", who, count)
        if ends_s is not None:
            self._agenda.add(ends_s, partial(self._end_on_time, cast, under_way))

    def _end_on_time(self, cast: _Cast, under_way: _UnderWay, time_s: float) -> None:
        if under_way.ends_s == time_s and under_way in cast.under_way:
            self._end(cast, under_way, time_s)

    def _end(self, cast: _Cast, under_way: _UnderWay, time_s: float) -> None:
        cast.under_way.remove(under_way)
        if under_way.effect.undo is not None:
            under_way.effect.undo()
        self._truth = None
        self._note(time_s, cast.entry.fault.name, "ends", None, None)

    def _note(
        self, time_s: float, fault: str, what: str, who: str | None, count: int | None
    ) -> None:
        self.events.append(Event(time_s - self._start_s, fault, what, who, count))
