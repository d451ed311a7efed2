"""The comparison with general-purpose optimisers, from the folder that holds ``benchmarks``:

    python -m benchmarks.optimisers run [--benches 200] [--only optimisers|autocell] [--again]
    python -m benchmarks.optimisers report

``run`` makes what is missing in the results file, ``report`` puts the table into
docs/optimisers.md and draws docs/optimisers.svg.
"""

from __future__ import annotations

import os

from autocell_simulators.rehearsal.threads import ONE_THREAD

os.environ.update(ONE_THREAD)

import argparse
from pathlib import Path

from autocell.bench.file import load
from benchmarks.optimisers.campaign import carry_out, header
from benchmarks.optimisers.facts import facts
from benchmarks.optimisers.own import OWN
from benchmarks.optimisers.plan import Contest, entries
from benchmarks.optimisers.report import write_report
from benchmarks.optimisers.results import ResultsFile

ROOT = Path(__file__).parents[2]


def main() -> None:
    """Run or report."""
    arguments = _arguments()
    contest = Contest(load(arguments.bench))
    file = ResultsFile(arguments.file, header(contest))
    if arguments.do == "report":
        write_report(file, contest.passes, ROOT / "docs")
        return
    legs = {"optimisers": entries(), "autocell": [OWN]}
    for leg, wanted in legs.items():
        if arguments.only not in (None, leg):
            continue
        if arguments.again:
            file.forget(leg, {entry.method for entry in wanted})
        file.tell(leg, facts())
        carry_out(contest, wanted, arguments.benches, file, arguments.workers)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.partition(":")[0])
    parser.add_argument("do", choices=("run", "report"))
    parser.add_argument("--benches", type=int, default=200)
    parser.add_argument("--only", choices=("optimisers", "autocell"))
    parser.add_argument("--again", action="store_true", help="forget what there is of it")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--bench", type=Path, default=ROOT / "configs" / "peat-bog.yaml")
    parser.add_argument("--file", type=Path, default=ROOT / "build" / "optimisers.jsonl")
    arguments = parser.parse_args()
    arguments.file.parent.mkdir(parents=True, exist_ok=True)
    return arguments


if __name__ == "__main__":
    main()
