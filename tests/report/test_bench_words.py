"""What the readings told of the bench, in trade units."""

from __future__ import annotations

import math

from autocell.outcome import Finding, Outcome, Verdict
from autocell.report.bench_words import finding_rows


def test_the_power_is_told_by_how_much_more_of_it_there_is() -> None:
    twice = Finding("log_gain", "power", math.log(2.0), 0.01, 0.0, 0.4)
    ((_, found, bench_file),) = finding_rows(Outcome(Verdict.REACHED, "", findings=(twice,)))
    assert found == "100.0 ± 2.0 %"
    assert bench_file == "0 ± 40 %"


def test_a_hole_is_told_by_its_diameter() -> None:
    hole = Finding("hole_radius_m", "hole", 2.01e-3, 5e-6, 2e-3, 5e-5)
    ((_, found, _),) = finding_rows(Outcome(Verdict.REACHED, "", findings=(hole,)))
    assert found == "4.020 ± 0.010 mm"
