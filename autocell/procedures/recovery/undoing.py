"""Undoes what no accepted step of a recovery has brought: after a step that was not enough, at the
end of a recovery that restored nothing, and once an instrument that failed answers again."""

from __future__ import annotations

from dataclasses import replace

from autocell.errors import AutocellError, DeviceError
from autocell.outcome import Outcome, Verdict
from autocell.procedures.arrival import apart
from autocell.procedures.by_signal import Back, by_signal
from autocell.procedures.light_search import Light
from autocell.procedures.recovery.account import Ledger, StepUnderWay
from autocell.procedures.recovery.under_way import RecoveryUnderWay
from autocell.procedures.way_back import WayBack, way_back
from autocell.recovery import Condition, StepName

_REBUILD: StepName = "rebuild from six passes"
"""The step that takes the pattern up from where a search has led."""

_MOVING: tuple[StepName, ...] = ("search", "re-centre", "re-approach", _REBUILD)


def go_back(recovery: RecoveryUnderWay, why: str) -> Back | None:
    """Back to where the bench belongs; by its light where open-loop axes have moved, and how
    that ended."""
    bench = recovery.bench
    if not apart(bench.setting, recovery.here):
        return None
    recovery.tell("undo", why)
    with bench.reserve():
        bench.move_to(recovery.here, f"back: {why}")
        if not bench.open_loop.moved:
            return None
        return by_signal(bench, recovery.here, recovery.light, _place(recovery))


def hold(recovery: RecoveryUnderWay, reason: str) -> Outcome:
    """Go back to where the bench stood, read there, and say why."""
    bench = recovery.bench
    recovery.here = bench.home_setting
    if recovery.before is not None:
        recovery.light = Light(recovery.before.power_w, recovery.before.power_u_w)
    ledger = Ledger.of(bench)
    try:
        back = go_back(recovery, reason)
        with bench.reserve():
            recovery.after = recovery.against.look("where it stood, again")
        if not recovery.against.away():
            recovery.power_after, _ = recovery.against.ratios(recovery.after)
    except DeviceError as error:
        went = _way_back(recovery, error)
        recovery.withdraw(*_MOVING, undone=went.trouble is None)
        return recovery.so_far(Verdict.FAILED, f"{reason}; {error}; {went.words}")
    except AutocellError as error:
        bench.stop()
        recovery.withdraw(*_MOVING, undone=False)
        return recovery.so_far(Verdict.HELD, f"{reason}; the way back failed too: {error}")
    recovery.withdraw(*_MOVING, undone=True)
    step = ledger.step(bench, "undo", reason, after=recovery.power_after, accepted=True)
    if step.moves:
        recovery.steps.append(step)
    where = "back where it stood" if back is None else back.words
    return recovery.so_far(Verdict.HELD, f"{reason}; {where}")


def failed(recovery: RecoveryUnderWay, error: DeviceError) -> Outcome:
    """An instrument did not do its part: undo what no accepted step has brought, once it
    answers again, or stop everything where it is; and say so."""
    bench = recovery.bench
    step = recovery.step_under_way or StepUnderWay("undo", "", None, Ledger.of(bench))
    back = _way_back(recovery, error)
    words = f"{step.words}: {error}" if step.words else str(error)
    tried = step.ledger.step(
        bench, step.name, words, before=step.before, undone=back.trouble is None
    )
    if tried.moves or recovery.step_under_way is not None:
        recovery.steps.append(tried)
    if not any(step.accepted for step in recovery.steps if step.name == _REBUILD):
        recovery.withdraw("search", undone=back.trouble is None)
    return recovery.so_far(Verdict.FAILED, f"{error}; {back.words}")


def _way_back(recovery: RecoveryUnderWay, error: DeviceError) -> WayBack[Condition]:
    """Back to where the bench belongs once what failed answers again, by its light where
    open-loop axes have moved, and what the meters show there."""
    bench, here = recovery.bench, recovery.here
    recovery.tell("undo", str(error))
    where = "where an accepted step had brought it" if _kept(recovery) else "where it stood"
    by_light: list[str] = []

    def look() -> Condition:
        if bench.open_loop.moved:
            by_light[:] = [by_signal(bench, here, recovery.light, _place(recovery)).words]
        condition = recovery.against.look("where it belongs, again")
        if not recovery.against.away():
            recovery.power_after, _ = recovery.against.ratios(condition)
        return condition

    back = way_back(bench, here, where, look, purpose=f"back: {error}", failed=error)
    recovery.after = back.seen or recovery.after
    return replace(back, words=by_light[0]) if by_light and back.seen else back


def _kept(recovery: RecoveryUnderWay) -> bool:
    """Whether the bench belongs where an accepted step has brought it, and not at its start."""
    return apart(recovery.here, recovery.bench.home_setting)


def _place(recovery: RecoveryUnderWay) -> str:
    """What to call where the bench belongs."""
    return "the place of the last accepted step" if _kept(recovery) else "the start"
