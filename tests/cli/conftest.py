"""The command line as its users have it: a process of its own, real lines, a store of its own."""

from __future__ import annotations

import io
import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from autocell.bench.file import shipped
from autocell.cli.main import main

AUTOCELL = (sys.executable, "-P", "-m", "autocell.cli")
_PATIENCE_S = 240.0


@dataclass(frozen=True)
class Ended:
    """What a command printed, and its exit code."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Standard output, which must be one JSON value and nothing else."""
        return json.loads(self.out)


def ask(address: str, request: dict[str, Any]) -> Any:
    """What a control port answers to one request."""
    host, port = address.split(":")
    with socket.create_connection((host, int(port)), _PATIENCE_S) as client:
        client.sendall(json.dumps(request).encode() + b"\n")
        answer = json.loads(client.makefile("rb").readline())
    assert answer["ok"], answer
    return answer["answer"]


class CommandLine:
    """Calls ``autocell`` with a run store in a temporary folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = folder / "store" / "runs.sqlite"
        self._environment = {**os.environ, "AUTOCELL_STORE": str(self.store)}
        self._environment.pop("AUTOCELL_BENCH", None)

    def __call__(self, *arguments: object) -> Ended:
        """Run a command to its end. Whatever happens, no traceback may reach the user."""
        ended = subprocess.run(
            [*AUTOCELL, *map(str, arguments)],
            env=self._environment,
            cwd=self.folder,
            capture_output=True,
            encoding="utf-8",
            stdin=subprocess.DEVNULL,
            timeout=_PATIENCE_S,
            check=False,
        )
        assert "Traceback" not in ended.stdout + ended.stderr
        return Ended(ended.returncode, ended.stdout, ended.stderr)

    def here(self, *arguments: object) -> Ended:
        """Run a command in this process, which spares its start."""
        out, err = io.StringIO(), io.StringIO()
        with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(err):
            patch.setenv("AUTOCELL_STORE", str(self.store))
            patch.delenv("AUTOCELL_BENCH", raising=False)
            code = main([*map(str, arguments)])
        return Ended(code, out.getvalue(), err.getvalue())

    def start(self, *arguments: object) -> subprocess.Popen[str]:
        """Start a command and leave it running."""
        return subprocess.Popen(
            [*AUTOCELL, *map(str, arguments)],
            env=self._environment,
            cwd=self.folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            encoding="utf-8",
        )

    @staticmethod
    def read(path: Path) -> Any:
        """The JSON value in a file."""
        return json.loads(path.read_text("utf-8"))

    @contextmanager
    def simulating(self, *options: object, bench: str = "peat-bog") -> Iterator[Simulation]:
        """``autocell simulate BENCH`` until left, then with its truth."""
        truth = self.folder / "simulated-truth.json"
        process = self.start("simulate", bench, "--json", "--truth", truth, *options)
        assert process.stdout is not None
        simulation = Simulation(truth, process)
        try:
            ready = json.loads(process.stdout.readline())
            simulation.bench_file = Path(ready["bench_file"])
            simulation.addresses = ready["addresses"]
            simulation.control = ready["control"]
            yield simulation
        finally:
            simulation.end()


class Simulation:
    """A simulated bench that is being served."""

    def __init__(self, truth: Path, process: subprocess.Popen[str]) -> None:
        self.bench_file = Path()
        self.addresses: dict[str, str] = {}
        self.control: str | None = None
        self._truth = truth
        self._process = process

    def end(self) -> dict[str, Any]:
        """Stop it as a user would; what it then says is true."""
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGINT)
        _, told = self._process.communicate(timeout=_PATIENCE_S)
        assert self._process.returncode == 0, told
        truth: dict[str, Any] = json.loads(self._truth.read_text("utf-8"))
        return truth

    def ask(self, word: str, **details: object) -> Any:
        """What its control port answers; served with ``--control`` only."""
        assert self.control is not None
        return ask(self.control, {"do": word, **details})

    def changed(self, name: str, *changes: tuple[str, str]) -> Path:
        """Its bench file under another name, each text replaced once by another."""
        text = self.bench_file.read_text("utf-8")
        for old, new in changes:
            assert text.count(old) == 1
            text = text.replace(old, new)
        path = self.bench_file.with_name(name)
        path.write_text(text, "utf-8")
        return path


@pytest.fixture
def autocell(tmp_path: Path) -> CommandLine:
    return CommandLine(tmp_path)


@pytest.fixture(scope="module")
def module_autocell(tmp_path_factory: pytest.TempPathFactory) -> CommandLine:
    return CommandLine(tmp_path_factory.mktemp("cli"))


Served = tuple[CommandLine, Simulation]


@pytest.fixture(scope="module")
def served(module_autocell: CommandLine) -> Iterator[Served]:
    """One simulated bench for all tests of a module that leave it as it was."""
    with module_autocell.simulating("--seed", 5) as simulation:
        yield module_autocell, simulation


Edit = Callable[[str, str], Path]


@pytest.fixture
def edited_peat_bog(tmp_path: Path) -> Edit:
    """The shipped bench file with one text replaced."""

    def edit(old: str, new: str) -> Path:
        text = shipped("peat-bog").read_text("utf-8")
        assert text.count(old) == 1
        path = tmp_path / "bench.yaml"
        path.write_text(text.replace(old, new), "utf-8")
        return path

    return edit
