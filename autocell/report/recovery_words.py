"""What a recovery compared and tried, in words, the same on the page and in the terminal."""

from __future__ import annotations

from autocell.recovery import Cause, Ratio, Recovery, StepTried
from autocell.report import words

STEP_HEAD = ["Step", "Power before", "After", "Kept", "Readings", "Moves", "What"]


def rows(recovery: Recovery) -> list[tuple[str, str]]:
    """Label and value of what was compared, and of the cause."""
    reference = recovery.reference
    found = [
        (
            "Reference",
            f"run {reference.run}, {reference.passes} passes proved {reference.nights:.1f} nights "
            "before",
        ),
        ("Power before", _of_reference(recovery.power_before)),
        ("Power after", _of_reference(recovery.power_after)),
    ]
    if recovery.laser is not None:
        found.append(("Laser", _of_reference(recovery.laser)))
    if recovery.margin_nights_left is not None:
        found.append(("Margin left", f"{recovery.margin_nights_left:.0f} nights of drift"))
    if recovery.before is not None and recovery.before.temperature_c is not None:
        found.append(("Temperature", _temperatures(recovery)))
    found += [
        (check.name.capitalize(), check.statement) for check in recovery.health if not check.within
    ]
    if recovery.cause is not None:
        found += [
            ("Cause", cause_in_words(recovery.cause)),
            ("Evidence", "; ".join(recovery.cause.evidence)),
            ("To do", recovery.cause.advice),
        ]
    moved = ", ".join(
        f"{axis.axis} {1e3 * axis.net:+.3f} {axis.unit} ({1e3 * axis.gross:.2f} in all)"
        for axis in recovery.travel
        if axis.gross > 0.0
    )
    found.append(("Moved", moved or "nothing"))
    if recovery.retries or recovery.communication_errors:
        errors = words.count(recovery.communication_errors, "communication error")
        found.append(("Asked again", f"{recovery.retries} times, {errors}"))
    return found


def cause_in_words(cause: Cause) -> str:
    """The cause with its probability, or what cannot be told apart."""
    if cause.confidence > 0.0:
        return f"{cause.name}, probability {words.confidence(cause.confidence)}"
    apart = ", ".join(cause.possible)
    return f"{cause.name}; this bench cannot tell apart: {apart}" if apart else str(cause.name)


def step_rows(steps: tuple[StepTried, ...]) -> list[list[str]]:
    """One row a step, under :data:`STEP_HEAD`."""
    return [
        [
            step.name,
            _plain(step.before),
            _plain(step.after),
            "yes" if step.accepted else "no, undone" if step.undone else "no",
            str(step.readings),
            str(step.moves),
            step.words,
        ]
        for step in steps
    ]


def _temperatures(recovery: Recovery) -> str:
    assert recovery.before is not None
    now_c, then_c = recovery.before.temperature_c, recovery.reference.condition.temperature_c
    told = f"{now_c:.2f} °C"
    return told if then_c is None or now_c is None else f"{told}, {now_c - then_c:+.2f} K since"


def _of_reference(ratio: Ratio | None) -> str:
    return words.UNKNOWN if ratio is None else f"{_plain(ratio)} of the reference"


def _plain(ratio: Ratio | None) -> str:
    return "" if ratio is None else " ± ".join(words.with_uncertainty(ratio.value, ratio.u))
