"""What a user waits for before anything happens, each in a process of its own."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

HEAVY = ("numpy", "scipy", "numba", "matplotlib", "pydantic", "pyvisa", "serial", "rich")

_FIRST_CALL = """
import time
start = time.perf_counter()
from autocell.optics.cell import Cell, Hole, InputBeam, Mirror
from autocell.optics.trace import exit_power
mirror = Mirror.spherical(0.4, 0.025, 0.985)
cell = Cell(0.38, mirror, mirror, (Hole("entrance", 0.015, 0.0, 0.0015),))
beam = InputBeam(0.015, 0.0, -0.0375, 0.0394, 633e-9, 2e-4, 2e-4, 0.19, 0.19)
exit_power(cell, beam, 60)
print(time.perf_counter() - start)
"""


def test_import(results):
    bare = _best([sys.executable, "-c", "pass"])
    seconds = _best([sys.executable, "-c", "import autocell"])
    results.fact("import autocell", f"{seconds - bare:.3f} s", "≤ 0.15 s")
    results.fact("  without loading", _not_loaded("import autocell"))


def test_help(results):
    command = [str(Path(sys.executable).with_name("autocell")), "--help"]
    results.fact("autocell --help, whole process", f"{_best(command):.3f} s", "≤ 0.25 s")
    results.fact(
        "  without loading",
        _not_loaded(
            "import contextlib, io\n"
            "with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):\n"
            "    from autocell.cli.main import main\n"
            "    sys.argv = ['autocell', '--help']\n"
            "    main()"
        ),
    )


def test_first_call(results, tmp_path):
    for what in ("nothing compiled yet", "compiled before"):
        seconds = float(_run([sys.executable, "-c", _FIRST_CALL], NUMBA_CACHE_DIR=str(tmp_path)))
        results.fact(f"first call of a process, {what}", f"{seconds:.2f} s")


def _not_loaded(code: str) -> str:
    code = f"import sys\n{code}\nprint(*[m for m in {HEAVY!r} if m not in sys.modules])"
    return _run([sys.executable, "-c", code]).strip()


def _best(command: list[str], rounds: int = 7) -> float:
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        _run(command)
        times.append(time.perf_counter() - start)
    return min(times)


def _run(command: list[str], **more: str) -> str:
    import os

    done = subprocess.run(
        command, capture_output=True, text=True, check=True, env={**os.environ, **more}
    )
    return done.stdout
