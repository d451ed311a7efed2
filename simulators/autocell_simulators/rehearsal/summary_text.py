"""A campaign as sentences and short tables for the terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from autocell.report import words
from autocell_simulators.rehearsal.one import Rehearsal
from autocell_simulators.rehearsal.plan import Lost
from autocell_simulators.rehearsal.shares import Share
from autocell_simulators.rehearsal.summary import Errors, Quantiles, Summary, fate


def print_summary(summary: Summary, replays: Sequence[str], console: Console) -> None:
    """All of it; ``replays`` are the commands that rehearse each of the worst again."""
    console.print()
    console.print(Text(headline(summary), style="bold"))
    console.print(Text(overnight(summary)))
    if summary.limit_violations:
        console.print(Text(limits(summary), style="bold red"))
    if summary.lost:
        console.print(Text(lost(summary.lost), style="yellow"))
    for heading, rows in (
        ("", fate_rows(summary)),
        ("", cost_rows(summary)),
        ("Claimed against true, where reached", calibration_rows(summary)),
        ("What went wrong", survival_rows(summary)),
    ):
        if rows:
            _print_rows(heading, rows, console)
    _print_reliability(summary, console)
    _print_worst(summary, replays, console)


def headline(summary: Summary) -> str:
    """The first thing to know."""
    benches = "bench" if summary.benches == 1 else "benches"
    return (
        f"{summary.reached_true.count} of {summary.benches} {benches} reached {summary.passes} "
        f"passes, proved and true; {summary.wrong.count} claimed what is not true."
    )


def overnight(summary: Summary) -> str:
    """The bound on failure, for whoever decides whether to leave a bench alone."""
    failure, wrong = summary.failure_upper95, summary.wrong_upper95
    return (
        f"With 95 % confidence, a bench drawn like these fails to end at {summary.passes} passes "
        f"at most {percent(failure)} of the time{_one_in(failure)}, and is left with a false "
        f"claim at most {percent(wrong)} of the time{_one_in(wrong)}. This holds for what the "
        "simulated bench can do wrong; a real one can do more."
    )


def lost(benches: Sequence[Lost]) -> str:
    """What is not counted, and why."""
    numbers = ", ".join(str(one.index) for one in sorted(benches, key=lambda one: one.index)[:10])
    more = ", ..." if len(benches) > 10 else ""
    return (
        f"Not counted, here or in any bound: {len(benches)} that never came back "
        f"(number {numbers}{more}): {benches[0].reason}. A machine that is short "
        "of memory does this too; going on from the file rehearses them again."
    )


def limits(summary: Summary) -> str:
    """What must never be."""
    return f"Limits were broken {words.count(summary.limit_violations, 'time')}."


def fate_rows(summary: Summary) -> list[tuple[str, str]]:
    """Label and value of each way to end."""
    return [
        ("Reached and true", share_in_words(summary.reached_true)),
        ("Held", share_in_words(summary.held)),
        ("Failed", share_in_words(summary.failed)),
        ("Wrong: claimed, not true", share_in_words(summary.wrong)),
    ]


def cost_rows(summary: Summary) -> list[tuple[str, str]]:
    """Label and value of each cost, median and 95th percentile."""
    return [
        ("Readings to proof", _quantiles(summary.readings_to_proof, "{:g}")),
        ("Readings in all", _quantiles(summary.readings, "{:g}")),
        ("Moves", _quantiles(summary.moves, "{:g}")),
        ("Travel", _quantiles(summary.travel_m, "{:.1f} mm", 1e3)),
        ("Bench time", _quantiles(summary.bench_time_s, "{:.1f} s")),
        ("Computing", _quantiles(summary.cpu_s, "{:.2f} s")),
    ]


def calibration_rows(summary: Summary) -> list[tuple[str, str]]:
    """Label and value of what was claimed with an uncertainty, or should not be far off."""
    rows = []
    if summary.path_length_covered is not None:
        covered = share_in_words(summary.path_length_covered)
        rows.append(("True path length within the claimed uncertainty", covered))
    for label, errors in (
        ("Path length", summary.path_length_error),
        ("Margin to the lower edge", summary.margin_low_error),
        ("Margin to the upper edge", summary.margin_high_error),
    ):
        if errors is not None:
            rows.append((f"{label}, claimed minus true", _error(errors)))
    if summary.reflectivity_error is not None:
        median, size = summary.reflectivity_error.median, summary.reflectivity_error.size_p95
        rows.append(
            (
                "Reflectivity, claimed minus true",
                f"median {median:+.5f}, 95 % of them within {size:.5f}",
            )
        )
    if summary.margin_nights.median is not None and summary.margin_before_nights.median is not None:
        nights, before = summary.margin_nights.median, summary.margin_before_nights.median
        rows.append(
            ("Least margin, median", f"{nights:.0f} nights of drift, {before:.0f} before settling")
        )
    return rows


def survival_rows(summary: Summary) -> list[tuple[str, str]]:
    """Fault, and what became of the benches that it struck."""
    return [
        (
            row.fault,
            f"struck {row.struck} of {summary.benches}: {row.reached_true} reached and true all "
            f"the same, {row.ended_true} ended true",
        )
        for row in summary.survived
    ]


def share_in_words(share: Share) -> str:
    """Count, share and its two-sided bounds."""
    return (
        f"{share.count} of {share.of}, {percent(share.share)} "
        f"({percent(share.low95)} to {percent(share.high95)} with 95 % confidence)"
    )


def reliability_rows(summary: Summary) -> list[tuple[str, ...]]:
    """One row a bin: claimed from-to, claims, mean claimed, frequency, band, whether within."""
    return [
        (
            f"{row.low:g} to {row.high:g}",
            str(row.claims),
            words.probability(row.claimed),
            f"{row.frequency:.4f}",
            f"{row.band_low:.4f} to {row.band_high:.4f}",
            "within" if row.within else "outside",
        )
        for row in summary.reliability
    ]


RELIABILITY_HEAD = ("Claimed", "Benches", "Mean claimed", "True", "95 % band", "")


def worst_heading(summary: Summary) -> str:
    """What the worst are."""
    if summary.none_is_bad:
        return "All were reached and true; those that took the most readings"
    return "The worst"


def worst_row(rehearsal: Rehearsal, wanted: int) -> tuple[str, str, str, str]:
    """Fate, true count, readings, reason."""
    return (
        fate(rehearsal, wanted).value,
        words.UNKNOWN if rehearsal.true_passes is None else str(rehearsal.true_passes),
        words.UNKNOWN if rehearsal.readings is None else str(rehearsal.readings),
        rehearsal.reason,
    )


def percent(share: float) -> str:
    """Two decimals, since a thousand benches tell no more; never rounded to nothing."""
    if 0.0 < share < 5e-5:
        return "< 0.01 %"
    if 0.99995 < share < 1.0:
        return "> 99.99 %"
    return f"{100.0 * share:.2f} %"


def _one_in(bound: float) -> str:
    """Left out where so coarse a number would say something else than the percentage."""
    return f" (1 in {math.floor(1.0 / bound)})" if bound <= 0.1 else ""


def _quantiles(known: Quantiles, form: str, scale: float = 1.0) -> str:
    if known.median is None or known.p95 is None:
        return words.UNKNOWN
    median, p95 = form.format(scale * known.median), form.format(scale * known.p95)
    return f"median {median}, 95th percentile {p95}"


def _error(errors: Errors) -> str:
    return (
        f"median {errors.median_m * 1e3:+.3f} mm, 95 % within {errors.size_p95_m * 1e3:.3f} mm"
    ).replace("-", "−")


def _print_rows(heading: str, rows: Sequence[tuple[str, str]], console: Console) -> None:
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 3, 0, 0))
    table.add_column(style="dim")
    table.add_column()
    for label, value in rows:
        table.add_row(label, Text(value))
    console.print()
    if heading:
        console.print(Text(heading, style="dim"))
    console.print(table)


def _print_reliability(summary: Summary, console: Console) -> None:
    if not summary.reliability:
        return
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0), header_style="dim")
    for head in RELIABILITY_HEAD:
        table.add_column(head, justify="left" if not head else "right", no_wrap=True)
    for row in reliability_rows(summary):
        table.add_row(*row, style="" if row[-1] == "within" else "yellow")
    console.print()
    console.print(
        Text("Probability claimed for the pass count against how often it was true", "dim")
    )
    console.print(table)


def _print_worst(summary: Summary, replays: Sequence[str], console: Console) -> None:
    console.print()
    console.print(Text(f"{worst_heading(summary)}, and how to see each again", style="dim"))
    for rehearsal, replay in zip(summary.worst, replays, strict=True):
        end, true_passes, readings, reason = worst_row(rehearsal, summary.passes)
        console.print(Text(f"{end}, {true_passes} passes in truth, {readings} readings: {reason}"))
        console.print(Text(f"  {replay}", style="dim"), soft_wrap=True)
