"""What an experiment's own code calls: own a bench, change its pass count, look at it.

    with autocell.open_bench("bench.yaml") as bench:
        outcome = autocell.change_passes(bench, 62)

Runs are kept in the same store, under the same rules, as those of the command line.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from autocell.bench.bench import Bench
from autocell.bench.clock import RealClock
from autocell.bench.file import load
from autocell.bench.opening import open_bench as open_instruments
from autocell.bench.stopping import stop_on_signals
from autocell.description import BenchDescription
from autocell.outcome import Outcome
from autocell.patterns import choose_pattern
from autocell.procedures.change import change_passes as procedure
from autocell.procedures.progress import Listener, nobody
from autocell.procedures.recovery.recover import recover as recovery
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.tuning import Experience
from autocell.reading import Reading
from autocell.records import Store
from autocell.session.claim import Ownership, claim
from autocell.session.conduct import Order, Procedure, conduct
from autocell.session.experience import last_experience, reference_setting
from autocell.session.safe import safe_first

_COMMAND = "change_passes() in Python"


class OwnedBench:
    """A bench that belongs to this process until it is left.

    Its instruments are opened for each call and closed after it, so that every call is a run, or
    a look, of its own: with its own caps, and with all that opening finds out.
    """

    def __init__(
        self, description: BenchDescription, store: Path | None, ownership: Ownership
    ) -> None:
        self.description = description
        self._store = store
        self._ownership = ownership

    def positions(self) -> dict[str, float]:
        """Where every axis reads, m or rad. Nothing moves.

        Raises DeviceError when an instrument does not do its part.
        """
        with self._instruments() as bench:
            return bench.positions()

    def read_power(self, relative_uncertainty: float = 0.003) -> Reading:
        """One averaged reading where the bench stands, W, with the dark level subtracted.

        The shutter closes and opens; no axis moves. Raises ReadingError for light that must not
        be used, DeviceError when an instrument does not do its part.
        """
        with self._instruments() as bench:
            return bench.read_power("asked for in Python", relative_uncertainty)

    def last_proved(self, passes: int | None = None) -> Outcome | None:
        """The outcome of the last run with this very bench file that proved its pass count
        (``passes``, if given).

        Raises StoreError, after which every axis was told to stop.
        """
        with safe_first(self.description, owned=True), Store.open(self._store) as store:
            run = store.last_proved(self.description.sha256, passes)
        return None if run is None else run.outcome

    @contextmanager
    def _instruments(self) -> Iterator[Bench]:
        with (
            stop_on_signals() as interrupts,
            open_instruments(self.description, clock=RealClock()) as bench,
        ):
            interrupts.tell(bench.request_stop)
            yield bench

    def _experience(self, passes: int) -> tuple[Experience, str] | None:
        return last_experience(self._store, self.description, passes=passes)

    def _reference(self, passes: int | None) -> ReferenceSetting:
        with safe_first(self.description, owned=True):
            return reference_setting(self._store, self.description, passes)

    def _conduct(
        self,
        command: str,
        asked: Mapping[str, object],
        procedure: Procedure,
        report: str | Path | None,
    ) -> Outcome:
        page = None if report is None else Path(report)
        ended = conduct(
            Order(
                command,
                self.description,
                self._store,
                asked,
                page,
                page=page is not None,
                ownership=self._ownership,
            ),
            procedure,
        )
        if ended.error is not None:
            raise ended.error
        return ended.outcome


@contextmanager
def open_bench(path: str | Path, *, store: str | Path | None = None) -> Iterator[OwnedBench]:
    """Own the bench of a bench file until left; ``store`` is by default that of the command line.

    Raises BenchFileError for a file that says something impossible, Busy when another process has
    the bench: the message says which, and since when.
    """
    description = load(path)
    with claim(description, _COMMAND) as ownership:
        yield OwnedBench(description, None if store is None else Path(store), ownership)


def change_passes(
    bench: OwnedBench,
    passes: int,
    *,
    listener: Listener = nobody,
    seed: int = 0,
    report: str | Path | None = None,
    afresh: bool = False,
) -> Outcome:
    """Bring a bench to ``passes`` passes and prove it; the same as ``autocell change``.

    It starts from what earlier proved runs of the same bench file have left, unless ``afresh``.

    What a run before left is undone first, or the outcome is *held* and says why.
    ``outcome.verdict`` tells how it ended, ``outcome.as_json()`` is what the command prints.
    ``listener`` is told of every reading; ``report`` is where to write the page, if anywhere.

    In the main thread SIGINT, SIGTERM and ``autocell stop`` raise Stopped, which no
    ``except Exception`` catches, once every axis was told to stop.

    Raises NoSuchPattern, or UsageError for a number of passes that no pattern can have, before
    anything is opened; DeviceError when an instrument did not do its part, StoreError when the run
    cannot be written down, Stopped. A run that has begun is recorded in any case.
    """
    choose_pattern(bench.description, passes)
    experience, learned_by = (not afresh and bench._experience(passes)) or (None, None)
    asked: dict[str, object] = {"passes": passes, "seed": seed}
    if learned_by is not None:
        asked["learned_by"] = learned_by
    return bench._conduct(
        "change",
        asked,
        lambda opened: procedure(
            opened, passes, listener=listener, seed=seed, experience=experience
        ),
        report,
    )


def recover(
    bench: OwnedBench,
    passes: int | None = None,
    *,
    listener: Listener = nobody,
    seed: int = 0,
    report: str | Path | None = None,
) -> Outcome:
    """Compare a bench with the setting that was proved last (of ``passes``, if given), and do the
    least that restores it; the same as ``autocell recover``.

    ``outcome.recovery`` tells what was compared and tried, and the probable cause. An outcome that
    is *unchanged* carries no proof of its own: the bench stands where one was made.

    Raises UsageError when nothing was proved with this bench file, and else as
    :func:`change_passes` does.
    """
    reference = bench._reference(passes)
    return bench._conduct(
        "recover",
        {"passes": reference.passes, "seed": seed, "reference": reference.run},
        lambda opened: recovery(opened, reference, listener=listener, seed=seed),
        report,
    )
