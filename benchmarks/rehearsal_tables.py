"""The tables of docs/rehearsals.md, from the files of campaigns:

    python -m benchmarks.rehearsal_tables "26 passes=change-26.jsonl" "38=change-38.jsonl" …

Each campaign is given with what its row is called. The reliability table is of all those together
that are not marked with ``+`` before their name.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from autocell_simulators.rehearsal.one import REHEARSAL, Rehearsal
from autocell_simulators.rehearsal.summary import Quantiles, reliability, summarise

HEAD = (
    "| | Benches | Reached and true | Held | Failed | Wrong | Not reached, 95 % bound | "
    "Readings to proof | in all | Bench time | Computing | Path within U (k = 2) | "
    "Reflectivity, 95 % within | Margin, nights |",
    "|---|---|---|---|---|---|---|---|---|---|---|---|---|---|",
)
RELIABILITY_HEAD = (
    "| Claimed | Benches | Mean claimed | True | 95 % band | Within |",
    "|---|---|---|---|---|---|",
)


def read(path: Path) -> tuple[int, list[Rehearsal]]:
    """The pass count of a campaign, and its rehearsals by their index."""
    head, *lines = path.read_bytes().splitlines()
    done = [REHEARSAL.validate_json(line) for line in lines]
    return json.loads(head)["passes"], sorted(done, key=lambda rehearsal: rehearsal.index)


def row(name: str, passes: int, done: Sequence[Rehearsal]) -> str:
    """One campaign."""
    found = summarise(done, passes)
    covered, reflectivity = found.path_length_covered, found.reflectivity_error
    cells = (
        name,
        str(found.benches),
        str(found.reached_true.count),
        str(found.held.count),
        str(found.failed.count),
        str(found.wrong.count),
        f"{100.0 * found.failure_upper95:.2f} %",
        _two(found.readings_to_proof),
        _two(found.readings),
        f"{_two(found.bench_time_s, 1)} s",
        f"{_two(found.cpu_s, 2)} s",
        "" if covered is None else f"{covered.count} of {covered.of}",
        "" if reflectivity is None else f"{1e4 * reflectivity.size_p95:.2f}e-4",
        f"{found.margin_before_nights.median or 0:.0f} → {found.margin_nights.median or 0:.0f}",
    )
    return f"| {' | '.join(cells)} |"


def reliability_rows(done: Sequence[Rehearsal]) -> Iterator[str]:
    """Claims against truth, over several campaigns."""
    for claims in reliability(done):
        yield (
            f"| {claims.low:g} to {claims.high:g} | {claims.claims} | {claims.claimed:.4f} | "
            f"{claims.frequency:.4f} | {claims.band_low:.4f} to {claims.band_high:.4f} | "
            f"{'yes' if claims.within else 'no'} |"
        )


def _two(spread: Quantiles, digits: int = 0) -> str:
    """Median and 95th percentile."""
    return ", ".join(f"{value or 0:.{digits}f}" for value in (spread.median, spread.p95))


def main(arguments: Sequence[str]) -> None:
    """Print both tables."""
    together: list[Rehearsal] = []
    print("\n".join(HEAD))
    for argument in arguments:
        name, _, path = argument.partition("=")
        passes, done = read(Path(path))
        print(row(name.removeprefix("+"), passes, done))
        if not name.startswith("+"):
            together += done
    print()
    print("\n".join(RELIABILITY_HEAD))
    print("\n".join(reliability_rows(together)))


if __name__ == "__main__":
    main(sys.argv[1:])
