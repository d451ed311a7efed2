"""What a procedure tells while it works."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from autocell.reading import Reading


@dataclass(frozen=True)
class Progress:
    """One thing that happened.

    ``stage`` is what the procedure is about (survey, approach, low edge, ...), ``text`` what it
    does or has just learned. ``passes`` and ``probability`` are the best guess at where the
    bench stands now; None before there is one.
    """

    stage: str
    text: str
    elapsed_s: float
    readings: int
    reading: Reading | None = None
    passes: int | None = None
    probability: float | None = None


Listener = Callable[[Progress], None]


def nobody(progress: Progress) -> None:
    """A listener that does not listen."""
