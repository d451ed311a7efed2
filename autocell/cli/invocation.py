"""What one call of the command line knows of itself, for the place where errors end."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from autocell.outcome import Outcome


@dataclass
class Invocation:
    """``wants_outcome`` says that exactly one JSON outcome is due on standard output, whatever
    happens; ``told`` that it is out. ``outcome`` is that of the run that was recorded."""

    wants_outcome: bool = False
    told: bool = False
    outcome: Outcome | None = None
    store: Path | None = None
