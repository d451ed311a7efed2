"""A second port of a served bench, for tests: it tells the truth and takes faults.

One JSON object a line each way. ``{"do": WORD, ...}`` is answered by
``{"ok": true, "answer": ...}`` or ``{"ok": false, "error": TEXT}``:

    truth                     what is true of the bench, as ``autocell simulate --truth`` writes it
    time                      seconds of the bench's clock since the start
    events                    which faults have begun and ended
    addresses                 where each instrument is now
    begin, fault: ENTRY       have a fault from now on, written as in a scenario file
    end, fault: NAME          end all faults of this name
    play, scenario: TEXT      have all faults of a scenario from now on
"""

from __future__ import annotations

import dataclasses
import json
import socketserver
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from autocell.errors import UsageError
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import read
from autocell_simulators.ports import LOOPBACK

_LONGEST_LINE = 1 << 20
Request = Mapping[str, Any]


class Control:
    """What the port does, told apart from the port."""

    def __init__(self, bench: SimulatedBench, addresses: Mapping[str, str]) -> None:
        self._bench = bench
        self._addresses = addresses
        self._words: Mapping[str, Callable[[Request], Any]] = {
            "truth": lambda request: bench.truth_report(),
            "time": self._time,
            "events": lambda request: [dataclasses.asdict(event) for event in bench.events],
            "addresses": lambda request: dict(addresses),
            "begin": self._begin,
            "end": self._end,
            "play": self._play,
        }

    def answer(self, line: bytes) -> bytes:
        """The answer to one line, also to one that means nothing."""
        try:
            told = {"ok": True, "answer": self._carry_out(line)}
        except UsageError as error:
            told = {"ok": False, "error": str(error)}
        return json.dumps(told).encode() + b"\n"

    def _carry_out(self, line: bytes) -> Any:
        try:
            request = json.loads(line)
        except ValueError as error:
            raise UsageError(f"not JSON: {error}; write one object a line") from error
        if not isinstance(request, dict) or request.get("do") not in self._words:
            raise UsageError(f'write {{"do": WORD}}, with one of {", ".join(self._words)}')
        return self._words[request["do"]](request)

    def _time(self, request: Request) -> float:
        with self._bench.present() as now_s:
            return now_s - self._bench.start_s

    def _begin(self, request: Request) -> None:
        fault = request.get("fault")
        if not isinstance(fault, dict):
            raise UsageError('begin needs "fault": an entry of a scenario file, as an object')
        self._bench.begin(fault)

    def _end(self, request: Request) -> int:
        return self._bench.end(str(request.get("fault")))

    def _play(self, request: Request) -> int:
        entries = read(str(request.get("scenario"))).entries
        self._bench.begin(*entries)
        return len(entries)


@contextmanager
def controlled(bench: SimulatedBench, addresses: Mapping[str, str]) -> Iterator[str]:
    """Open the port for any number of clients until left; where it is, as HOST:PORT."""
    control = Control(bench, addresses)

    class Handler(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            while line := self.rfile.readline(_LONGEST_LINE):
                if line.strip():
                    self.wfile.write(control.answer(line))

    with _Server((LOOPBACK, 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, name="control", daemon=True)
        thread.start()
        try:
            yield f"{LOOPBACK}:{server.server_address[1]}"
        finally:
            server.shutdown()
            thread.join()


class _Server(socketserver.ThreadingTCPServer):
    daemon_threads = True

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that has gone is no error."""
