"""Plans whose rehearsals end their own process, as a memory shortage would. Imported by workers."""

from __future__ import annotations

import os
import signal
import time
from dataclasses import dataclass
from pathlib import Path

from autocell_simulators.rehearsal.one import Rehearsal
from autocell_simulators.rehearsal.plan import Plan

from autocell.procedures.progress import Listener, nobody

DEADLY = 2


@dataclass(frozen=True)
class DeadlyPlan(Plan):
    """Bench number 2 kills its process, once, or always; the others end at once."""

    died: Path = Path()
    only_once: bool = False

    def rehearse(self, index: int, listener: Listener = nobody) -> Rehearsal:
        if index == DEADLY and not (self.only_once and self.died.exists()):
            with self.died.open("a") as file:
                file.write("died\n")
            os.kill(os.getpid(), signal.SIGKILL)
        return self.failed(index, "not rehearsed at all")

    def warm_up(self) -> None:
        pass


@dataclass(frozen=True)
class EndlessPlan(DeadlyPlan):
    """Bench number 2 never ends once it has begun."""

    def rehearse(self, index: int, listener: Listener = nobody) -> Rehearsal:
        if index == DEADLY:
            self.died.touch()
            while True:
                time.sleep(3600.0)
        return self.failed(index, "not rehearsed at all")
