"""What may stand in a programme file. Times are local, in the programme's own time zone."""

from __future__ import annotations

import re
import zoneinfo
from datetime import time
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

Text = Annotated[str, Field(strict=True, min_length=1)]
Minutes = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=1440)]
Seconds = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=3600)]
Passes = Annotated[int, Field(strict=True, ge=2, le=1000)]


def _time_of_day(value: object) -> time:
    found = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", value) if isinstance(value, str) else None
    if found is None:
        raise PydanticCustomError(
            "time_of_day", 'this is no time of day; write hours and minutes, such as "02:00"'
        )
    return time(int(found[1]), int(found[2]))


def _zone_that_exists(name: str) -> str:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise PydanticCustomError(
            "time_zone", "no such time zone is known here; write one such as Europe/Helsinki or UTC"
        ) from error
    return name


TimeOfDay = Annotated[time, BeforeValidator(_time_of_day)]
Zone = Annotated[Text, AfterValidator(_zone_that_exists)]
OnHeld = Literal["go on", "end the night", "end the programme"]


class Section(BaseModel):
    """A part of a programme file. Keys it does not know are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class StepSection(Section):
    """One step: exactly one of ``change``, ``recover``, ``settle_min`` and ``wait_until``.

    ``recover`` is a pass count, or ``last`` for the pattern that was proved last.

    ``skip_if_held`` leaves it out when the last change of the night was not proved.
    """

    change: Passes | None = None
    recover: Passes | Literal["last"] | None = None
    settle_min: Minutes | None = None
    wait_until: TimeOfDay | None = None
    skip_if_held: Annotated[bool, Field(strict=True)] = False

    def kinds(self) -> list[str]:
        """Which of the keys that make a step are there."""
        keys = ("change", "recover", "settle_min", "wait_until")
        return [key for key in keys if getattr(self, key) is not None]


class HookSection(Section):
    """A command that is called before and after each change or recovery, without a shell."""

    command: Annotated[list[Text], Field(min_length=1)]
    time_limit_s: Seconds = 600.0


class WebhookSection(Section):
    """Where the JSON outcome is posted to; ``secret`` names the Authorization header."""

    url: Text
    secret: Text | None = None


class MailSection(Section):
    """An SMTP server and whom it shall tell; ``secret`` names the password of ``user``."""

    server: Text
    port: Annotated[int, Field(strict=True, ge=1, le=65535)] = 587
    encryption: Literal["starttls", "tls", "none"] = "starttls"
    sender: Text
    to: Annotated[list[Text], Field(min_length=1)]
    user: Text | None = None
    secret: Text | None = None


class NoticesSection(Section):
    """Who is told when the verdict changes, and what shows from outside that it is alive."""

    webhook: WebhookSection | None = None
    mail: MailSection | None = None
    heartbeat_file: Text | None = None
    ping_url: Text | None = None
    metrics_file: Text | None = None


class ProgrammeFile(Section):
    """The whole file.

    With ``every_night_at`` the steps are carried out every night from that time; a night that was
    missed by up to ``late_start_min`` is begun late. Without it they are carried out once. With
    ``morning_report`` a page tells after the last step of a night how it went.
    """

    programme: Text
    bench: Text
    time_zone: Zone
    every_night_at: TimeOfDay | None = None
    late_start_min: Minutes = 60.0
    on_held: OnHeld = "end the night"
    hook: HookSection | None = None
    notices: NoticesSection | None = None
    morning_report: Annotated[bool, Field(strict=True)] = True
    steps: Annotated[list[StepSection], Field(min_length=1)]


def complaint_about_step(step: StepSection) -> str | None:
    """What is wrong with a step whose keys are each well formed; None when nothing is."""
    kinds = step.kinds()
    if len(kinds) == 1:
        return None
    if not kinds:
        return "a step is one of change, recover, settle_min or wait_until; write one of them"
    return f"this is {' and '.join(kinds)} at once; make it {len(kinds)} steps"
