"""A controller of the dialect plain-motion that follows a script, and what is said of it."""

from __future__ import annotations

import re
from pathlib import Path

from autocell.bench.file import shipped

SPACING = {"device": "motion", "channel": 1, "limits_mm": [0, 50], "repeatability_mm": 0.001}
YAW = {"device": "motion", "channel": 3, "limits_mrad": [-15, 15], "repeatability_mrad": 0.01}
DIALECT = shipped("plain-motion").read_text("utf-8").replace("time_ms: 300", "time_ms: 100")


class PlainController:
    """Answers as docs/plain-motion.md says; moves are over at once unless told otherwise.

    ``trouble`` gives, for the n-th occurrence of a command, what comes back instead.
    """

    def __init__(self):
        self.position = {1: "10.00000", 3: "0.00000"}
        self.status = {1: "10", 3: "10"}
        self.output = "1"
        self.trouble = {}
        self.deaf_to_moves = 0

    def __call__(self, line):
        command = line.decode()
        answers = self.trouble.get(re.sub(r"[-\d.]+", "#", command), [])
        answer = self.answer(command)
        if answers:
            yield from answers.pop(0)
        else:
            yield answer.encode() + b"\r\n"

    def answer(self, command):
        if command == "ID?":
            return "ID PLAIN-MOTION 1.2 SN 0417"
        if command == "0 SP":
            return "0 OK"
        number, verb, *rest = command.split()
        if verb == "OU":
            self.output = rest[0]
            return f"{number} OK"
        if verb == "OU?":
            return f"{number} OU {self.output}"
        axis = int(number)
        if axis not in self.position:
            return f"{number} ER 2 AXIS"
        if verb == "MA":
            if self.deaf_to_moves:
                self.deaf_to_moves -= 1
                return f"{number} OK"
            if abs(float(rest[0])) > 50.0:
                return f"{number} ER 3 LIMIT"
            self.position[axis] = rest[0]
        return {
            "PO?": f"{number} PO {self.position[axis]}",
            "ST?": f"{number} ST {self.status[axis]}",
            "LI?": f"{number} LI 0.00000 50.00000",
        }.get(verb, f"{number} OK")


def section(folder: Path, address: str, **changes):
    words = {
        "driver": "ascii-motion",
        "address": address,
        "dialect": "plain-motion.yaml",
        "identity": "PLAIN-MOTION",
        "path": str(folder),
    }
    return words | changes


def sent(instrument, verb):
    return [line for line in instrument.lines if verb in line]
