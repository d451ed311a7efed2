"""Numbers and verdicts in words, the same on the page and in the terminal."""

from __future__ import annotations

import math
import re

from autocell.outcome import Outcome, Verdict, least_margin
from autocell.setting import Setting

UNKNOWN = "not known"
INVENTED = "invented"


def headline(outcome: Outcome) -> str:
    """The verdict in one line."""
    if outcome.verdict is Verdict.UNCHANGED and outcome.proof is None and outcome.recovery:
        then = outcome.recovery.reference
        return f"Unchanged since run {then.run} proved {then.passes} passes"
    passes = "pass count" if outcome.passes is None else f"{outcome.passes} passes"
    wanted = "" if outcome.wanted_passes is None else f": {outcome.wanted_passes} passes wanted"
    proved = "proved" if outcome.proof is not None and outcome.proof.proved else "not proved"
    return {
        Verdict.REACHED: f"Reached {passes}, {proved}",
        Verdict.UNCHANGED: f"Unchanged at {passes}, {proved}",
        Verdict.RECOVERED: f"Recovered {passes}, {proved}",
        Verdict.DEGRADED: f"Degraded at {passes}, {proved}",
        Verdict.HELD: f"Held{wanted}, {proved}",
        Verdict.FAILED: f"Failed{wanted}, {proved}",
    }[outcome.verdict]


def summary_rows(outcome: Outcome) -> list[tuple[str, str]]:
    """Label and value of all that a reader wants first. Works for any outcome."""
    rows = []
    if outcome.wanted_passes is not None:
        rows.append(("Passes wanted", str(outcome.wanted_passes)))
    rows.append(("Passes", passes_in_words(outcome)))
    rows.append(("Path length", path_length_in_words(outcome)))
    rows.append(("Mirror spacing", length(outcome.spacing_m, digits=3)))
    rows.append(("Throughput", throughput_in_words(outcome)))
    rows.append(("Margin to the lower edge", length(outcome.margin_low_m, digits=3)))
    rows.append(("Margin to the upper edge", length(outcome.margin_high_m, digits=3)))
    least = least_margin_in_words(outcome)
    if least:
        rows.append(("Least margin", least))
    rows.append(("Readings", readings_in_words(outcome)))
    rows.append(("Moves", f"{outcome.moves}, {length(outcome.travel_m, digits=1)} of travel"))
    rows.append(("Bench time", duration(outcome.elapsed_s)))
    if outcome.retries or outcome.communication_errors:
        rows.append(("Lines", troubles_in_words(outcome)))
    return rows


def troubles_in_words(outcome: Outcome) -> str:
    """What it took to be understood by the instruments."""
    return (
        f"{outcome.retries or 0} asked again, "
        f"{count(outcome.communication_errors or 0, 'communication error')}"
    )


def least_margin_in_words(outcome: Outcome) -> str:
    """The margin that a night's drift uses up first; empty without margins."""
    least, before = least_margin(outcome.margins), least_margin(outcome.margins_before)
    if least is None or not math.isfinite(least.nights):
        return ""
    told = f"{least.nights:.0f} nights of drift, along {least.axis}"
    if before is not None and round(before.nights) != round(least.nights):
        told += f" ({before.nights:.0f} where it was proved first)"
    return told


def readings_in_words(outcome: Outcome) -> str:
    """How many in all, and how many of them the proof took."""
    if outcome.readings_to_proof in (None, outcome.readings):
        return str(outcome.readings)
    return f"{outcome.readings}, {outcome.readings_to_proof} of them to the proof"


def passes_in_words(outcome: Outcome) -> str:
    """The pass count with the probability of it."""
    if outcome.passes is None:
        return UNKNOWN
    if outcome.proof is None:
        return f"{outcome.passes}, no proof was made"
    state = "proved" if outcome.proof.proved else "not proved"
    return f"{outcome.passes}, {state}, probability {probability(outcome.proof.probability)}"


def path_length_in_words(outcome: Outcome) -> str:
    """Value and expanded uncertainty."""
    path = outcome.path_length
    if path is None:
        return UNKNOWN
    value, uncertainty = with_uncertainty(path.value_m, path.expanded_u_m)
    return f"{value} ± {uncertainty} m (k = {path.coverage_factor:g})"


def throughput_in_words(outcome: Outcome) -> str:
    """What leaves, and what the mirrors alone would let through."""
    if outcome.throughput is None:
        return UNKNOWN
    found = f"{outcome.throughput:.3f}"
    if outcome.throughput_u is not None:
        value, uncertainty = with_uncertainty(outcome.throughput, outcome.throughput_u)
        found = f"{value} ± {uncertainty} (k = 1)"
    if outcome.expected_throughput is None:
        return found
    return f"{found}; mirrors alone {outcome.expected_throughput:.3f}"


def probability(value: float) -> str:
    """A probability that rounds neither to certainty nor to nothing."""
    if value > 0.99995:
        return "> 0.9999"
    if value < 1e-9:
        return "< 0.000000001"
    return f"{value:.{max(4, math.ceil(-math.log10(value)))}f}"


def confidence(value: float) -> str:
    """How sure a cause is; no cause is certain."""
    return f"{min(value, 0.999):.3g}"


def share(value: float) -> str:
    """How many of all, in per cent; a few are not none, and all but a few are not all."""
    if 0.0 < value < 1.0:
        return f"{100.0 * min(max(value, 0.001), 0.999):.1f} %"
    return f"{100.0 * value:.0f} %"


def sentence(text: str) -> str:
    """A reason as a sentence of its own; keys and addresses at its start stay as they are."""
    begin = text[:1].upper() if re.match(r"[a-z]+([-'’][a-z]+)*,? ", text) else text[:1]
    return begin + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def count(number: int, noun: str) -> str:
    """The number with its noun, in the plural where it needs one."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def length(value_m: float | None, digits: int) -> str:
    """Millimetres with a fixed number of digits after the point."""
    return UNKNOWN if value_m is None else f"{value_m * 1e3:.{digits}f} mm"


def duration(seconds: float) -> str:
    """Seconds, or hours, minutes and seconds."""
    if seconds < 120:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min {rest} s" if hours else f"{minutes} min {rest} s"


def with_uncertainty(value: float, uncertainty: float) -> tuple[str, str]:
    """Both to two significant digits of the uncertainty (JCGM 100:2008, 7.2.6)."""
    if not math.isfinite(uncertainty) or uncertainty <= 0.0:
        return f"{value:.6g}", f"{uncertainty:g}"
    # Rounded first: 0.0996 has its two digits one place further left than 0.0994.
    exponent = math.floor(math.log10(float(f"{uncertainty:.1e}")))
    decimals = max(0, 1 - exponent)
    return f"{value:.{decimals}f}", f"{uncertainty:.{decimals}f}"


def setting_in_words(setting: Setting | None) -> str:
    """The five coordinates in trade units."""
    if setting is None:
        return UNKNOWN
    return (
        f"spacing {setting.spacing_m * 1e3:.3f} mm, beam at ({setting.x_m * 1e3:.3f}, "
        f"{setting.y_m * 1e3:.3f}) mm, slopes ({setting.slope_x * 1e3:.3f}, "
        f"{setting.slope_y * 1e3:.3f}) mrad"
    )


def is_invented(bench_name: str) -> bool:
    """Whether the bench says of itself that it is invented."""
    return INVENTED in bench_name.lower()
