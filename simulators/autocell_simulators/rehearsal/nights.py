"""Many nights: which they are, the file that keeps them, and what they come to."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from autocell import __version__
from autocell.description import BenchDescription
from autocell.errors import StoreError, UsageError
from autocell.outcome import Verdict
from autocell.procedures.progress import Listener, nobody
from autocell_simulators.rehearsal.night import NIGHT, RehearsedNight, rehearse_nights
from autocell_simulators.rehearsal.plan import Plan


@dataclass(frozen=True)
class NightsPlan:
    """Nights at ``passes`` passes on benches drawn from ``seed``, ``per_bench`` on each; with
    ``serious_only`` each with a serious fault, kind after kind."""

    description: BenchDescription
    passes: int
    seed: int = 0
    per_bench: int = 1
    serious_only: bool = False

    def night(self, index: int, listener: Listener = nobody) -> RehearsedNight:
        """Night number ``index`` alone."""
        return self._on(index // self.per_bench, [index], listener)[0]

    def rehearse(self, index: int) -> list[RehearsedNight]:
        """All nights of bench number ``index``."""
        return self._on(index, self.of_bench(index))

    def of_bench(self, index: int) -> range:
        """Numbers of the nights of a bench."""
        return range(index * self.per_bench, (index + 1) * self.per_bench)

    def warm_up(self) -> None:
        """Load the compiled optics."""
        Plan(self.description, self.passes, self.seed).warm_up()

    @property
    def header(self) -> dict[str, Any]:
        """What tells these nights from others."""
        header = {
            "nights": self.passes,
            "seed": self.seed,
            "bench_sha256": self.description.sha256,
            "version": __version__,
        }
        header |= {"per_bench": self.per_bench} if self.per_bench > 1 else {}
        return header | ({"serious_only": True} if self.serious_only else {})

    def _on(
        self, bench: int, nights: Sequence[int], listener: Listener = nobody
    ) -> list[RehearsedNight]:
        return rehearse_nights(
            self.description,
            self.passes,
            nights,
            campaign_seed=self.seed,
            bench=bench,
            listener=listener,
            serious_only=self.serious_only,
        )


class NightsFile:
    """The results on disk: a line that says which nights, then one line of JSON for each.

    Raises UsageError for a file of other nights, StoreError when it cannot be read or written.
    """

    def __init__(self, path: Path, nights: NightsPlan) -> None:
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            lines = path.read_text("utf-8").splitlines(keepends=True) if path.exists() else []
            whole = [line for line in lines if line.endswith("\n")]
            if whole and _header_of(whole[0]) != nights.header:
                raise UsageError(f"{path}: not of these nights; name another file")
            path.write_text(
                "".join(whole) or json.dumps(nights.header) + "\n", encoding="utf-8"
            )  # a torn last line is left out
            found = [NIGHT.validate_json(line) for line in whole[1:]]
        except ValidationError as error:
            raise UsageError(f"{path}: a line of it is no night; remove it") from error
        except OSError as error:
            raise StoreError(f"{path}: cannot be used: {error.strerror}") from error
        self.results = {night.index: night for night in found}

    def append(self, night: RehearsedNight) -> None:
        """Write one result down."""
        try:
            with self.path.open("ab") as file:
                file.write(NIGHT.dump_json(night) + b"\n")
        except OSError as error:
            raise StoreError(f"{self.path}: cannot be written: {error.strerror}") from error
        self.results[night.index] = night


def _header_of(line: str) -> object:
    try:
        return json.loads(line)
    except ValueError:
        return None


@dataclass(frozen=True)
class NightsSummary:
    """What nights came to, by the simulator's own account."""

    nights: int
    proved_or_held: int
    wrong: tuple[int, ...]
    drift_only: int
    drift_set_right: int
    needed_nothing: int
    moves_for_nothing: tuple[int, ...]
    serious: int
    causes: dict[str, int]
    named_wrong: tuple[int, ...]
    limit_violations: int
    verdicts: dict[str, int]
    by_fault: dict[str, dict[str, int]]
    """For each serious fault how often it ended how, and how its cause was named."""
    names: dict[str, dict[str, int]]
    """For each serious fault how often which cause was named; ``none`` where no cause was."""

    @classmethod
    def of(cls, nights: Sequence[RehearsedNight], *, knows_laser: bool) -> NightsSummary:
        """Count them."""
        drift = [night for night in nights if night.serious is None]
        calm = [night for night in nights if night.needed_nothing]
        named = {night.index: night.named(knows_laser=knows_laser) for night in nights}
        by_fault: dict[str, Counter[str]] = {}
        names: dict[str, Counter[str]] = {}
        for night in nights:
            if night.serious is not None:
                count = by_fault.setdefault(night.serious, Counter())
                count[night.verdict.value] += 1
                count[f"cause {named[night.index]}"] += 1
                cause = "none" if night.cause is None else night.cause.value
                names.setdefault(night.serious, Counter())[cause] += 1
        return cls(
            nights=len(nights),
            proved_or_held=sum(_honest(night) for night in nights),
            wrong=tuple(night.index for night in nights if night.wrong),
            drift_only=len(drift),
            drift_set_right=sum(night.set_right for night in drift),
            needed_nothing=len(calm),
            moves_for_nothing=tuple(night.index for night in calm if night.moves),
            serious=len(nights) - len(drift),
            causes=dict(Counter(named.values())),
            named_wrong=tuple(index for index, how in named.items() if how == "wrong"),
            limit_violations=sum(night.limit_violations for night in nights),
            verdicts=dict(Counter(night.verdict.value for night in nights)),
            by_fault={name: dict(count) for name, count in sorted(by_fault.items())},
            names={name: dict(count) for name, count in sorted(names.items())},
        )

    @property
    def rows(self) -> list[tuple[str, str]]:
        """What to print, label and value."""
        rows = [
            ("Nights", f"{self.nights}, {self.serious} of them with a serious fault"),
            ("Ended proved, unchanged or held", f"{self.proved_or_held} of {self.nights}"),
            ("Wrong", _told(self.wrong)),
            ("Only drift: as in the evening", f"{self.drift_set_right} of {self.drift_only}"),
            (
                "Needed nothing",
                f"{self.needed_nothing}; moved for nothing: {_told(self.moves_for_nothing)}",
            ),
            ("Cause", ", ".join(f"{how} {n}" for how, n in sorted(self.causes.items()))),
            ("Named wrongly", _told(self.named_wrong)),
            ("Limit violations", str(self.limit_violations)),
            ("Verdicts", ", ".join(f"{name} {n}" for name, n in sorted(self.verdicts.items()))),
        ]
        rows += [
            (fault, f"{_counts(count)}; named: {_counts(self.names[fault])}")
            for fault, count in self.by_fault.items()
        ]
        return rows


def _counts(counted: dict[str, int]) -> str:
    return ", ".join(f"{what} {n}" for what, n in sorted(counted.items()))


def _honest(night: RehearsedNight) -> bool:
    return night.verdict is not Verdict.FAILED and not night.wrong


def _told(indices: Sequence[int]) -> str:
    if not indices:
        return "0"
    return f"{len(indices)} (number {', '.join(map(str, indices[:10]))})"
