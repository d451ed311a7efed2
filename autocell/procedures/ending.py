"""How a procedure ends: with what it reached, or back where it started, and why."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from autocell.belief.alternatives import strained_fit
from autocell.belief.findings import findings, learned, spacing_and_radii
from autocell.belief.wrong_way import goes_the_wrong_way
from autocell.bench.bench import Bench
from autocell.description import AxisDescription
from autocell.errors import AutocellError, DeviceError, ReadingError
from autocell.outcome import Outcome, Verdict
from autocell.procedures import account
from autocell.procedures.arrival import Arrival
from autocell.procedures.by_signal import Back, back_home, by_signal
from autocell.procedures.condition import condition_now
from autocell.procedures.light_search import Light
from autocell.procedures.tuning import Tuning
from autocell.procedures.way_back import way_back
from autocell.reading import Reading

_TELLING = 4
"""Most settings that a run leaves for the next to tell the pattern from its rivals by."""

_LEAST_LIGHT = 0.01
"""Of the laser's power: a pattern that passes less is no place to start from."""


def refuse_darkness(bench: Bench, start: Reading) -> None:
    """Raises ReadingError when there is no light to find anything by."""
    least_w = max(_LEAST_LIGHT * bench.description.laser.power_w, 5.0 * start.uncertainty_w)
    if start.power_w < least_w:
        raise ReadingError(
            f"no light where the bench stands: {1e6 * start.power_w:.3g} µW above the dark level, "
            f"at least {1e6 * least_w:.3g} µW are needed; is the laser on, its shutter open, and "
            "the beam in the entrance hole?"
        )


def suspicion(tuning: Tuning) -> str:
    """What of the bench file the readings do not keep to, in words."""
    belief = tuning.belief
    changed = belief.left > 0  # then it is no wonder that nothing fits
    turned = goes_the_wrong_way(belief, tuning.rng) if belief.surprises and not changed else None
    if turned is not None:
        cure = wrong_way(tuning.bench.description.axes[turned.axis])
        return f"; {cure}; the readings fit that better by {turned.log_odds:.0f} log units"
    strained = belief.strained() or (strained_fit(belief, tuning.rng) if belief.surprises else [])
    if not strained:
        return ""
    names = ", ".join(f"{name} ({value})" for name, value in strained)
    return f"; a tolerance of the bench file looks wrong: the readings pull {names} beyond it"


def wrong_way(axis: AxisDescription) -> str:
    """That an axis moves the light the other way than the bench file has it, and the cure."""
    return (
        f"the light changes along {axis.name} the other way than the bench file has it: write "
        f"'direction: {-int(axis.section.get('direction', 1))}' in axes.{axis.name}, or turn the "
        "sign of what it moves"
    )


def outcome_at(tuning: Tuning, arrival: Arrival, verdict: Verdict, reason: str) -> Outcome:
    """All that there is to say where a pass count was proved."""
    at = arrival.at
    condition = condition_now(tuning.bench, arrival.height.reading, forgiving=True)
    tuning.belief.settle(at)
    plateau = tuning.plateau_around(at)
    margin_low, margin_high = account.margins(at, plateau.low, plateau.high)
    throughput, throughput_u = account.throughput(tuning, arrival.height.reading)
    spacings = [reading.setting.spacing_m for reading in tuning.belief.readings]
    return replace(
        so_far(tuning, verdict, reason),
        passes=tuning.passes,
        proof=arrival.proof,
        spacing_m=float(np.mean(tuning.model.spacing_m(tuning.belief.z, at))),
        path_length=account.path_length(tuning, at),
        throughput=throughput,
        throughput_u=throughput_u,
        expected_throughput=account.expected_throughput(tuning),
        margin_low_m=margin_low,
        margin_high_m=margin_high,
        posterior=account.posterior(tuning, at),
        staircase=account.staircase(tuning, min(spacings) - 5e-4, max(spacings) + 5e-4),
        spots=account.spots(tuning, at),
        findings=findings(tuning.model, tuning.belief.z),
        learned=learned(tuning.model, tuning.belief.z),
        telling=tuple(tuning.telling[-_TELLING:]),
        spacing_and_radii=spacing_and_radii(tuning.model, tuning.belief.z),
        condition=condition,
    )


def so_far(tuning: Tuning, verdict: Verdict, reason: str) -> Outcome:
    """What can be said at any time, whatever happened."""
    return replace(used(tuning.bench, verdict, reason), wanted_passes=tuning.passes)


def used(bench: Bench, verdict: Verdict, reason: str) -> Outcome:
    """What a run has used until now, and where it stands, if every axis still knows where it is."""
    usage = bench.usage
    try:
        setting = bench.setting
    except AutocellError:
        setting = None
    return Outcome(
        verdict,
        reason,
        readings=usage.readings,
        moves=usage.moves,
        travel_m=usage.travel_m,
        elapsed_s=usage.elapsed_s,
        setting=setting,
    )


def hold(tuning: Tuning, reason: str) -> Outcome:
    """Go back to the start, read there again, and say why."""
    tuning.tell("hold", f"going back to the start: {reason}")
    try:
        back = back_home(tuning.bench, _light_at_start(tuning))
    except DeviceError as error:
        ended = failed(tuning, error)
        return replace(ended, reason=f"{reason}; {ended.reason}")
    except AutocellError as error:
        tuning.bench.stop()
        return so_far(tuning, Verdict.HELD, f"{reason}; the way back failed too: {error}")
    return so_far(tuning, Verdict.HELD, f"{reason}; {back.words}")


def failed(tuning: Tuning, error: DeviceError) -> Outcome:
    """An instrument did not do its part: go back to the start once it answers again, or stop
    everything where it stands, and say so."""
    tuning.tell("failed", f"stopping, then back to the start if it can be: {error}")
    words = back_after(tuning.bench, _light_at_start(tuning), error)
    return so_far(tuning, Verdict.FAILED, f"{error}; {words}")


def back_after(bench: Bench, before: Light | None, error: DeviceError) -> str:
    """Back to the start, where the power was ``before``, once what failed answers again, or every
    axis is stopped where it stands; how that went, in words."""

    def look() -> Back:
        return by_signal(bench, bench.home_setting, before, "the start")

    back = way_back(
        bench, bench.home_setting, "at the start", look, purpose="back to the start", failed=error
    )
    return back.words if back.seen is None else back.seen.words


def _light_at_start(tuning: Tuning) -> Light | None:
    readings = tuning.belief.readings
    return Light.of(readings[0]) if readings else None
