"""What proved runs of a bench file leave for the next: what they learned, and where they were."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from autocell.description import BenchDescription
from autocell.errors import StoreError, UsageError
from autocell.outcome import Verdict
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.tuning import Experience, Way
from autocell.records import RunRecord, Store


def last_experience(
    store: Path | None,
    bench: BenchDescription,
    run: str | None = None,
    *,
    passes: int | None = None,
    now: datetime | None = None,
) -> tuple[Experience, str] | None:
    """What was learned, and the run that learned it: the last one, or ``run``. Where ``passes``
    passes were proved before, the way that led there as well, and the run is the last that went it.
    How long ago depends on what is ``now``, by default by the machine's clock.

    None when no run of this very bench file proved anything, or not that one, or the store cannot
    be read, which the run itself will say.
    """
    try:
        with Store.open(store) as opened:
            known = opened.last_proved(bench.sha256) if run is None else opened.run(run)
            way, led_by = (None, None) if passes is None else _way_to(opened, bench, passes)
    except StoreError:
        return None
    if known is None or known.outcome is None or known.outcome.learned is None:
        return None
    if known.summary.bench_sha256 != bench.sha256 or not known.summary.proved:
        return None
    nights = max(1.0, _nights_since(known, now))
    return Experience(known.outcome.learned, nights, way), led_by or known.summary.id


def _way_to(store: Store, bench: BenchDescription, passes: int) -> tuple[Way | None, str | None]:
    """From the last run that reached the pattern; it ends where the pattern was proved last. And
    the run that proved it.

    No way leads back where steps are counted instead of places: a memory needs fewer readings then.
    """
    if any(axis.open_loop is not None for axis in bench.axes.values()):
        return None, None
    try:
        proved = store.last_proved(bench.sha256, passes)
        reached = store.last_proved(bench.sha256, passes, Verdict.REACHED)
    except StoreError:  # an outcome of an old run that cannot be read
        return None, None
    if proved is None or proved.outcome is None or proved.outcome.setting is None:
        return None, None
    telling = () if reached is None or reached.outcome is None else reached.outcome.telling
    return Way(proved.outcome.setting, telling), proved.summary.id


def reference_setting(
    store: Path | None,
    bench: BenchDescription,
    passes: int | None = None,
    *,
    now: datetime | None = None,
) -> ReferenceSetting:
    """Where a pattern was proved last with this very bench file, and what was seen where it was
    last reached; of any pattern unless ``passes`` says which.

    Raises UsageError when there is none, StoreError when the store cannot be read.
    """
    with Store.open(store) as opened:
        proved = opened.last_proved(bench.sha256, passes)
        if proved is None or proved.outcome is None:
            wanted = "a pass count" if passes is None else f"{passes} passes"
            raise UsageError(
                f"no run with {bench.path}, as it is now, has proved {wanted}, so that there is "
                f"nothing to go back to; set it first: autocell change {passes or 'N'}"
            )
        reached = opened.last_proved(bench.sha256, proved.outcome.passes, Verdict.REACHED)
    seen = proved.outcome if reached is None or reached.outcome is None else reached.outcome
    return ReferenceSetting.of(proved.outcome, seen, _nights_since(proved, now))


def _nights_since(run: RunRecord, now: datetime | None) -> float:
    age = (now or datetime.now(UTC)) - run.summary.started_utc
    return max(0.0, age.total_seconds() / 86400.0)
