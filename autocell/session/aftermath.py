"""What a run that broke off has left: all motion stopped, positions compared with the journal,
and the bench brought back to where that run began, or held.

A run breaks off when its process is killed or the power fails. What it was about to do is in the
journal, since every move is written down before it is sent.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from autocell.bench.bench import Bench
from autocell.bench.plan import trade
from autocell.bench.trust import Trust
from autocell.description import AxisDescription
from autocell.errors import AutocellError, DeviceError, StoreError
from autocell.outcome import Outcome, Verdict
from autocell.procedures.by_signal import by_signal
from autocell.procedures.light_search import Light
from autocell.reading import Reading
from autocell.records import (
    BROKE_OFF,
    MoveRecord,
    RunRecord,
    RunSummary,
    RunWriter,
    Store,
    Whereabouts,
)

DEMO = "demo"
"""Each demonstration has a bench of its own, which ends with it."""

_ON_ITS_WAY = (None, "stopped")
"""What the journal says of a move that its process, or a stop, has ended before its time."""

_SAME_LIGHT = 0.2
"""Relative change of power at the start beyond which the bench is not what it was. [trade]"""


@dataclass(frozen=True)
class Aftermath:
    """One line that says what was found and done, empty when there is nothing to say; and the
    verdict with which the bench is held, None when it may be used."""

    line: str = ""
    held: Verdict | None = None


@dataclass(frozen=True)
class _BrokenOff:
    """The runs that never said how they ended, the oldest first."""

    runs: tuple[RunRecord, ...]

    @property
    def story(self) -> str:
        """Which runs, and on which move the last of them broke off."""
        names = ", ".join(f"{run.summary.id} ({_order(run)})" for run in self.runs)
        many = "Runs" if len(self.runs) > 1 else "Run"
        ended = all(run.told_to_end for run in self.runs)
        return f"{many} {names} {'broke off when told to end' if ended else 'broke off'}"

    @property
    def moved(self) -> bool:
        """Whether any of them was about to move anything."""
        return any(run.moves for run in self.runs)

    @property
    def start(self) -> Mapping[str, float]:
        """Where the axes stood before the first of them moved anything, m or rad."""
        start: dict[str, float] = {}
        for run in self.runs:
            for axis, position in run.stood.items():
                start.setdefault(axis, position)
            for move in run.moves:
                start.setdefault(move.axis, move.start)
        return start

    @property
    def first_reading(self) -> Reading | None:
        """What the light was before anything moved."""
        moving = next((run for run in self.runs if run.moves), None)
        if moving is None or not moving.readings:
            return None
        first = moving.readings[0].reading
        return first if first.time_s <= moving.moves[0].intended_s else None


def clear_up(bench: Bench, store: Store, journal: RunWriter) -> Aftermath:
    """Deal with what the runs before ``journal``'s left, before it does anything of its own.

    Raises Stopped, and StoreError before anything has moved. Whatever else goes wrong is told in
    the line; then every axis was told to stop. What is held is held again by every later run
    until the cause is gone or somebody has said that it is (:func:`accept`).
    """
    broken = _broken_off(bench, store, journal)
    unconfirmed = _stop_all_motion(bench) if broken.moved else {}
    try:
        doubts = _compare(bench, store.whereabouts(bench.description.name), after=broken.moved)
        if not broken.runs:
            _begin_here(bench, journal)
            return Aftermath("; ".join(doubts.values()))
        if not broken.moved:
            line = f"{broken.story} before moving anything: nothing to undo"
            return _closed(line, broken, store, bench, journal)
        if doubts or unconfirmed or _lost(bench):
            return _held(broken, [*unconfirmed, *doubts.values(), *_lost(bench, except_for=doubts)])
        return _undo(bench, broken, store, journal)
    except StoreError:
        raise
    except AutocellError as error:
        bench.stop()
        verdict = Verdict.FAILED if isinstance(error, DeviceError) else Verdict.HELD
        return Aftermath(f"{broken.story}{_last_move(broken)}; held: {error}", verdict)


def accept(bench: Bench, store: Store, journal: RunWriter) -> Aftermath:
    """Take the positions that the axes read now for true, on somebody's word, and close the runs
    that had broken off. Held when a controller itself says that an axis is lost; an open-loop one
    has no reference to find, so that this word is all there is for it."""
    broken = _broken_off(bench, store, journal)
    for name in bench.open_loop.names:
        bench.open_loop.take_as_read(name)
        bench.restore_trust(name, "its position was accepted")
    if lost := _lost(bench):
        return Aftermath(f"not accepted: {'; '.join(lost)}", Verdict.HELD)
    _begin_here(bench, journal)
    for run in broken.runs:
        _close(store, run, f"{broken.story}; its positions were accepted in run {journal.id}")
    return Aftermath(f"{broken.story}; their positions are accepted" if broken.runs else "")


def positions_accepted(bench: Bench) -> Outcome:
    """The outcome of a run that accepts positions, once they are: nothing is moved."""
    places = ", ".join(
        f"{name} {trade(bench.description.axes[name], position)}"
        for name, position in bench.positions().items()
    )
    return Outcome(
        Verdict.UNCHANGED,
        f"the axes are taken to be where they read: {places}",
        setting=bench.setting,
        start=bench.setting,
        elapsed_s=bench.usage.elapsed_s,
    )


def close_demonstrations(bench: Bench, store: Store, journal: RunWriter) -> Aftermath:
    """Say of demonstrations that broke off what became of them."""
    for summary in store.unfinished(bench.description.name):
        if summary.command == DEMO and summary.id != journal.id:
            reason = "the demonstration broke off, and its simulated bench ended with it"
            _close(store, store.run(summary.id), reason)
    return Aftermath()


def _broken_off(bench: Bench, store: Store, journal: RunWriter) -> _BrokenOff:
    def counts(run: RunSummary) -> bool:
        return run.id != journal.id and run.command != DEMO

    unfinished = [run for run in store.unfinished(bench.description.name) if counts(run)]
    return _BrokenOff(tuple(store.run(run.id) for run in reversed(unfinished)))


def _stop_all_motion(bench: Bench) -> list[str]:
    """Tell every axis to stop, moving or not; what those say that do not confirm."""
    failures = bench.stop()
    bench.clear_stop()
    return [f"{axis} did not confirm its stop ({error})" for axis, error in failures.items()]


def _compare(bench: Bench, known: Mapping[str, Whereabouts], *, after: bool) -> dict[str, str]:
    """Doubt every axis that is not where the journal left it; those that are lost, and why.

    A controller that tells whether it has its reference is believed: whoever moved it meanwhile,
    it counted. ``after`` says that a run broke off, so that nobody was there to move anything.
    """
    found = {}
    for name, position in bench.positions().items():
        axis, left = bench.description.axes[name], known.get(name)
        if left is None or bench.trust()[name] is Trust.LOST:
            continue
        play = axis.play
        believed = bench.open_loop.left_at(name)
        if believed is not None:
            left = _believed_at(believed, left)
        inside = left.low - play <= position <= left.high + play
        if bench.tells_reference(name):
            if inside and left.high - left.low > play:
                bench.doubt(name, Trust.ESTIMATED, f"its move in run {left.run} was broken off")
            continue
        # of an open-loop axis its count tells that, and has told when it was recalled
        at_zero = abs(position) <= play and max(abs(left.low), abs(left.high)) > play
        at_zero &= believed is None
        if at_zero or (after and not inside):
            why = _displaced(axis, position, left, at_zero)
            bench.doubt(name, Trust.LOST, why)
            found[name] = f"the position of {name} is lost: {why}"
    return found


def _believed_at(place: float, left: Whereabouts) -> Whereabouts:
    """Where an open-loop axis was left that was last believed at ``place``: what its light tells
    after a move is not in the journal of moves, but the way of one that was broken off is."""
    if left.low == left.high:
        return replace(left, low=place, high=place)
    return replace(left, low=min(left.low, place), high=max(left.high, place))


def _displaced(axis: AxisDescription, position: float, left: Whereabouts, at_zero: bool) -> str:
    low, high = trade(axis, left.low), trade(axis, left.high)
    where = low if low == high else f"between {low} and {high}"
    cause = "was its controller switched off?" if at_zero else "what has moved it?"
    return f"it reads {trade(axis, position)}, and run {left.run} left it {where}; {cause}"


def _lost(bench: Bench, except_for: Collection[str] = ()) -> list[str]:
    return [words for name, words in bench.lost().items() if name not in except_for]


def _held(broken: _BrokenOff, why: list[str]) -> Aftermath:
    reasons = "; ".join(dict.fromkeys(why))
    cure = "look at the bench, and when the axes are where they read say 'autocell accept'"
    return Aftermath(
        f"{broken.story}{_last_move(broken)}; held, nothing is moved: {reasons}; {cure}",
        Verdict.HELD,
    )


def _undo(bench: Bench, broken: _BrokenOff, store: Store, journal: RunWriter) -> Aftermath:
    """Go back to where the oldest of the runs began, and look whether the light is as it was."""
    bench.make_home(broken.start)
    names = ", ".join(run.summary.id for run in broken.runs)
    bench.return_home(f"undoing {names}")
    told = f"{broken.story}{_last_move(broken)}; undone: every axis is where it began"
    before = broken.first_reading
    if before is None:
        return _closed(told, broken, store, bench, journal)
    with bench.reserve():
        back = by_signal(bench, bench.home_setting, Light.of(before), "where it began")
    now = back.reading
    if back.as_before is None:
        told += f", reading {1e3 * now.power_w:.4g} mW ({1e3 * before.power_w:.4g} mW before)"
    elif back.as_before:
        told += f"; {back.words}"
    else:
        told = f"{broken.story}{_last_move(broken)}; not undone: {back.words}"
    if back.as_before is False or abs(now.power_w - before.power_w) > _SAME_LIGHT * before.power_w:
        return Aftermath(
            f"{told}; held, since the light is not what it was: look at the bench, then say "
            "'autocell accept'",
            Verdict.HELD,
        )
    return _closed(told, broken, store, bench, journal)


def _closed(
    line: str, broken: _BrokenOff, store: Store, bench: Bench, journal: RunWriter
) -> Aftermath:
    # first: were this run killed in between, its start would be all that is known of theirs
    _begin_here(bench, journal)
    for run in broken.runs:
        _close(store, run, line)
    return Aftermath(line)


def _begin_here(bench: Bench, journal: RunWriter) -> None:
    """Write down where the axes stand, those that are lost left out."""
    trust = bench.trust()
    places = {n: p for n, p in bench.positions().items() if trust[n] is not Trust.LOST}
    journal.stood(places)


def _close(store: Store, run: RunRecord, reason: str) -> None:
    outcome = Outcome(
        Verdict.HELD,
        reason,
        wanted_passes=run.arguments.get("passes"),
        readings=len(run.readings),
        moves=len(run.moves),
    )
    writer = store.writer(run.summary.id)
    writer.event(run.last_s, BROKE_OFF, reason)
    writer.finish(outcome)


def _last_move(broken: _BrokenOff) -> str:
    """On which move the last run that moved anything broke off."""
    moves: list[MoveRecord] = [move for run in broken.runs for move in run.moves]
    if not moves:
        return ""
    open_moves = sorted({move.axis for move in moves[-10:] if move.outcome in _ON_ITS_WAY})
    return f" on a move of {', '.join(open_moves)}" if open_moves else " between two moves"


def _order(run: RunRecord) -> str:
    passes = run.arguments.get("passes")
    return run.summary.command if passes is None else f"{run.summary.command} to {passes} passes"
