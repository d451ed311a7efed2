"""Other people's instruments in processes of their own, on ports of the loopback interface."""

from __future__ import annotations

import contextlib
import itertools
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from autocell.bench.clock import RealClock
from autocell.bench.file import shipped

CLOCK = RealClock()
HERE = Path(__file__).parent
DATABASE = HERE / "bog.db"


# Systems hand out ports from 32768 upward (RFC 6335: from 49152) to connections that do not care.
# A server's port is none of these, or a connection may have it before the server binds it; and
# each process of a test run begins a stretch of its own.
_PORTS = itertools.count(20_000 + os.getpid() * 64 % 12_000)


def free_port():
    """A port of the loopback interface that nobody has, for streams and datagrams."""
    return next(port for port in _PORTS if _is_free(port))


def _is_free(port):
    try:
        with (
            socket.create_server(("127.0.0.1", port)),
            socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as datagrams,
        ):
            datagrams.bind(("127.0.0.1", port))
    except OSError:
        return False
    return True


def serving(port):
    """The environment of a server that stays on this machine."""
    return {
        "EPICS_CA_SERVER_PORT": str(port),
        "EPICS_CAS_SERVER_PORT": str(port),
        "EPICS_CAS_INTF_ADDR_LIST": "127.0.0.1",
        "EPICS_CAS_BEACON_ADDR_LIST": "127.0.0.1",
        "EPICS_CAS_AUTO_BEACON_ADDR_LIST": "NO",
    }


class Server:
    """A control system in a process of its own."""

    def __init__(self, command, port):
        self.command = command
        self.port = port
        self.environment = {**os.environ, **serving(port)}
        self.process = None
        try:
            self.start()
        except BaseException:
            self.stop()
            raise

    def start(self, name="BOG-IOC 7"):
        command = [word.replace("{name}", name) for word in self.command]
        self.process = subprocess.Popen(
            [sys.executable, *command],
            env=self.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        deadline = CLOCK.now() + 60.0
        while not self.listens():
            assert CLOCK.now() < deadline
            assert self.process.poll() is None
            CLOCK.sleep(0.05)

    def listens(self):
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1.0):
            return True
        return False

    def hang(self):
        """Have it answer nothing from now on. A signal is sent before it has stopped all threads
        of a process, one of which may still answer."""
        self.process.send_signal(signal.SIGSTOP)
        os.waitid(os.P_PID, self.process.pid, os.WSTOPPED)

    def go_on(self):
        """Answer again, also what was asked meanwhile."""
        self.process.send_signal(signal.SIGCONT)

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.communicate()

    def stop(self):
        if self.process is not None:
            self.kill()


def epics_base(prefix, port):
    """The server of EPICS Base with the records of bog.db."""
    macros = f"P={prefix},NAME={{name}}"
    return Server(["-m", "epicscorelibs.ioc", "-m", macros, "-d", str(DATABASE)], port)


def example_beamline(port):
    """The example beamline of caproto."""
    module = "caproto.ioc_examples.mini_beamline"
    return Server(["-m", module, "--interfaces=127.0.0.1", "--prefix=mini:", "--quiet"], port)


_BEAMLINE = """
devices:
  beamline:
    driver: epics
    address: "mini:"
    identity: ai
    identity_pv: "ph:mtr.RTYP"
    outputs: {"ph:mtr": {readback: "ph:mtr", stride: 0.3, no_drive_limits: true}}
    units: {"ph:mtr": mm, "ph:det": nW}

axes:
  spacing:
    device: beamline
    channel: "ph:mtr"
    limits_mm: [-8, 8]
    spacing_at_zero_mm: 240
    spacing_tolerance_mm: 1.0
    speed_mm_per_s: 0.4
    acceleration_mm_per_s2: 4
    backlash_mm: 0
    repeatability_mm: 0.001
    overnight_drift_mm: 0.006

power_meter:
  device: beamline
  channel: "ph:det"
  range_mw: 1
  averaging_ms: 100
  relative_noise: 0.05
  noise_floor_uw: 0.1

"""


def beamline_bench(folder):
    """The shipped bench with its spacing axis and its meter at caproto's example beamline, whose
    records know neither units nor limits, and whose motor cannot be stopped."""
    text = shipped("peat-bog").read_text("utf-8")
    before, after = text.index("devices:"), text.index("caps:")
    path = folder / "beamline.yaml"
    path.write_text(text[:before] + _BEAMLINE.lstrip() + text[after:], "utf-8")
    return path


@contextlib.contextmanager
def looking_at(ports):
    """Within this, clients look for servers at these ports and nowhere else."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("EPICS_CA_ADDR_LIST", " ".join(f"127.0.0.1:{port}" for port in ports))
        patch.setenv("EPICS_CA_AUTO_ADDR_LIST", "NO")
        patch.setenv("EPICS_CA_REPEATER_PORT", str(free_port()))
        yield


@contextlib.contextmanager
def example_motor():
    """The port of a running example motor of lewis, which is GPL and stays a program of its own."""
    port = free_port()
    program = "import sys; from lewis.scripts.run import run_simulation; run_simulation()"
    options = f"stream: {{bind_address: 127.0.0.1, port: {port}}}"
    arguments = ["example_motor", "-k", "lewis.examples", "-p", options, "-o", "none", "-c", "0.01"]
    with subprocess.Popen([sys.executable, "-c", program, *arguments]) as process:
        try:
            deadline = CLOCK.now() + 60.0
            while not _answers(port):
                assert CLOCK.now() < deadline
                assert process.poll() is None
                CLOCK.sleep(0.05)
            yield port
        finally:
            process.kill()


def _answers(port):
    with (
        contextlib.suppress(OSError),
        socket.create_connection(("127.0.0.1", port), timeout=1.0) as line,
    ):
        line.sendall(b"P?\r\n")
        return bool(line.recv(40))
    return False
