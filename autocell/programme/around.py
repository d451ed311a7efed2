"""What a programme runs in: its clock, its store, its lines, and whom it tells."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from autocell.bench.bench import Bench
from autocell.outcome import Outcome
from autocell.procedures.change import change_passes
from autocell.procedures.progress import Listener
from autocell.procedures.recovery.recover import recover
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.tuning import Experience
from autocell.programme.wall import Wall
from autocell.session.safe import Lines

ChangePasses = Callable[[Bench, int, Listener, Experience | None], Outcome]
RecoverPattern = Callable[[Bench, ReferenceSetting, Listener], Outcome]


def _change_passes(
    bench: Bench, passes: int, listener: Listener, experience: Experience | None
) -> Outcome:
    return change_passes(bench, passes, listener=listener, experience=experience)


def _recover(bench: Bench, reference: ReferenceSetting, listener: Listener) -> Outcome:
    return recover(bench, reference, listener=listener)


def _silently(_text: str) -> None:
    """Tell nobody."""


def _nothing(_outcome: Outcome) -> None:
    """Do nothing with it."""


@dataclass(frozen=True)
class Around:
    """What a programme runs in. ``tell`` gets a line for each thing that happens, ``alive`` is
    called with what is being done, at least every half minute of waiting, at every reading and
    whenever a run has waited for an instrument; ``ended`` gets each outcome. ``change`` and
    ``recover`` are the procedures behind the steps."""

    wall: Wall
    store: Path | None = None
    lines: Lines = field(default_factory=Lines)
    change: ChangePasses = _change_passes
    recover: RecoverPattern = _recover
    pages: bool = True
    tell: Callable[[str], None] = _silently
    alive: Callable[[str], None] = _silently
    ended: Callable[[Outcome], None] = _nothing
