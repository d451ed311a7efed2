"""What the last proved run of a bench file learned, for the next to start from."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from autocell.description import BenchDescription
from autocell.errors import StoreError
from autocell.procedures.tuning import Experience
from autocell.records import Store


def last_experience(store: Path | None, bench: BenchDescription) -> tuple[Experience, str] | None:
    """What was learned, and the run that learned it; None when no run of this very bench file
    proved anything, or the store cannot be read, which the run itself will say."""
    try:
        with Store.open(store) as opened:
            run = opened.last_proved(bench.sha256)
    except StoreError:
        return None
    if run is None or run.outcome is None or run.outcome.learned is None:
        return None
    age = datetime.now(UTC) - run.summary.started_utc
    nights = max(1.0, age.total_seconds() / 86400.0)
    return Experience(run.outcome.learned, nights), run.summary.id
