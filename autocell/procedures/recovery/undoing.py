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
from autocell.procedures.recovery.course import Course
from autocell.procedures.way_back import WayBack, way_back
from autocell.recovery import Condition, StepName

_REBUILD: StepName = "rebuild from six passes"
"""The step that takes the pattern up from where a search has led."""

_MOVING: tuple[StepName, ...] = ("search", "re-centre", "re-approach", _REBUILD)


def go_back(course: Course, why: str) -> Back | None:
    """Back to where the bench belongs; by its light where open-loop axes have moved, and how
    that ended."""
    bench = course.bench
    if not apart(bench.setting, course.here):
        return None
    course.tell("undo", why)
    with bench.reserve():
        bench.move_to(course.here, f"back: {why}")
        if not bench.open_loop.moved:
            return None
        return by_signal(bench, course.here, course.light, _place(course))


def hold(course: Course, reason: str) -> Outcome:
    """Go back to where the bench stood, read there, and say why."""
    bench = course.bench
    course.here = bench.home_setting
    if course.before is not None:
        course.light = Light(course.before.power_w, course.before.power_u_w)
    ledger = Ledger.of(bench)
    try:
        back = go_back(course, reason)
        with bench.reserve():
            course.after = course.against.look("where it stood, again")
        if not course.against.away():
            course.power_after, _ = course.against.ratios(course.after)
    except DeviceError as error:
        went = _way_back(course, error)
        course.withdraw(*_MOVING, undone=went.trouble is None)
        return course.so_far(Verdict.FAILED, f"{reason}; {error}; {went.words}")
    except AutocellError as error:
        bench.stop()
        course.withdraw(*_MOVING, undone=False)
        return course.so_far(Verdict.HELD, f"{reason}; the way back failed too: {error}")
    course.withdraw(*_MOVING, undone=True)
    step = ledger.step(bench, "undo", reason, after=course.power_after, accepted=True)
    if step.moves:
        course.steps.append(step)
    where = "back where it stood" if back is None else back.words
    return course.so_far(Verdict.HELD, f"{reason}; {where}")


def failed(course: Course, error: DeviceError) -> Outcome:
    """An instrument did not do its part: undo what no accepted step has brought, once it
    answers again, or stop everything where it is; and say so."""
    bench = course.bench
    step = course.under_way or StepUnderWay("undo", "", None, Ledger.of(bench))
    back = _way_back(course, error)
    words = f"{step.words}: {error}" if step.words else str(error)
    tried = step.ledger.step(
        bench, step.name, words, before=step.before, undone=back.trouble is None
    )
    if tried.moves or course.under_way is not None:
        course.steps.append(tried)
    if not any(step.accepted for step in course.steps if step.name == _REBUILD):
        course.withdraw("search", undone=back.trouble is None)
    return course.so_far(Verdict.FAILED, f"{error}; {back.words}")


def _way_back(course: Course, error: DeviceError) -> WayBack[Condition]:
    """Back to where the bench belongs once what failed answers again, by its light where
    open-loop axes have moved, and what the meters show there."""
    bench, here = course.bench, course.here
    course.tell("undo", str(error))
    where = "where an accepted step had brought it" if _kept(course) else "where it stood"
    by_light: list[str] = []

    def look() -> Condition:
        if bench.open_loop.moved:
            by_light[:] = [by_signal(bench, here, course.light, _place(course)).words]
        condition = course.against.look("where it belongs, again")
        if not course.against.away():
            course.power_after, _ = course.against.ratios(condition)
        return condition

    back = way_back(bench, here, where, look, purpose=f"back: {error}", failed=error)
    course.after = back.seen or course.after
    return replace(back, words=by_light[0]) if by_light and back.seen else back


def _kept(course: Course) -> bool:
    """Whether the bench belongs where an accepted step has brought it, and not at its start."""
    return apart(course.here, course.bench.home_setting)


def _place(course: Course) -> str:
    """What to call where the bench belongs."""
    return "the place of the last accepted step" if _kept(course) else "the start"
