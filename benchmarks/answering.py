"""A power meter and a motion controller that answer at once; nothing behind them is simulated.

They are a process of their own, which imports nothing that takes time.
"""

from __future__ import annotations

import os
import pty
import select
import socket
import tty


def answer_for_ever() -> None:
    """Print the ports of both and the terminal of the controller, then answer."""
    listening = [socket.create_server(("127.0.0.1", 0)) for _ in range(2)]
    master, slave = pty.openpty()
    tty.setraw(master)
    print(*(server.getsockname()[1] for server in listening), os.ttyname(slave), flush=True)
    halves: dict[int, bytes] = {master: b""}
    instrument = _Answers()
    while True:
        for line in select.select([*halves, *listening], [], [])[0]:
            if line in listening:
                opened, _ = line.accept()
                opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                halves[opened.detach()] = b""
                continue
            data = os.read(line, 4096)
            if not data:
                return
            *messages, halves[line] = (halves[line] + data).replace(b"\r", b"\n").split(b"\n")
            for message in messages:
                if reply := instrument.answer(message.decode()):
                    os.write(line, reply)


class _Answers:
    """What meter and controller answer; what was set is what is read back."""

    def __init__(self) -> None:
        self._set: dict[str, str] = {}
        self._readings = 0

    def answer(self, message: str) -> bytes:
        """The reply with its ending, or nothing."""
        first, _, rest = message.partition(" ")
        match (first, rest):
            case ("READ?", _):
                self._readings += 1
                return b"%.6E\n" % (1e-3 + 1e-8 * (self._readings % 97))
            case ("*IDN?", _):
                return b"INVENTED,POWER-METER,1,1\n"
            case ("SYST:ERR?", _):
                return b'0,"No error"\n'
            case ("ID?", _):
                return b"ID PLAIN-MOTION 1.2 SN 0417\r\n"
            case (axis, "PO?"):
                return f"{axis} PO 0.50000\r\n".encode()
            case (axis, "ST?"):
                return f"{axis} ST 10\r\n".encode()
            case (axis, "LI?"):
                return f"{axis} LI -100.00000 100.00000\r\n".encode()
            case (axis, "OU?"):
                return f"{axis} OU 1\r\n".encode()
            case (axis, "SP" | "OU 0" | "OU 1"):
                return f"{axis} OK\r\n".encode()
            case (asked, ""):
                return f"{self._set.get(asked.rstrip('?'), '')}\n".encode() if "?" in asked else b""
        self._set[first] = rest
        return b""


if __name__ == "__main__":
    answer_for_ever()
