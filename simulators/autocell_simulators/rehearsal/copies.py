"""Try something in a copy of this process: what it changes is changed nowhere else.

A simulated bench cannot be copied by itself: its parts ask each other for light, time and noise. A
process can (fork, so not on Windows).
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable

CAN_COPY = hasattr(os, "fork")


def in_a_copy(make: Callable[[], bytes]) -> bytes:
    """What ``make`` returns in a copy of this process; nothing when the copy dies of it.

    The copy ends with this process, should that be killed meanwhile.
    """
    ours, theirs = os.pipe()
    watched, held = os.pipe()  # closed by the system when this process ends
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.close(ours)
            os.close(held)
            threading.Thread(target=_end_with, args=(watched,), daemon=True).start()
            made = make()
            with os.fdopen(theirs, "wb") as pipe:
                pipe.write(made)
            status = 0
        finally:
            os._exit(status)
    os.close(theirs)
    os.close(watched)
    try:
        with os.fdopen(ours, "rb") as pipe:
            made = pipe.read()
    finally:  # also when this process is interrupted: then the copy ends at once
        os.close(held)
        os.waitpid(child, 0)
    return made


def _end_with(watched: int) -> None:
    os.read(watched, 1)
    os._exit(1)
