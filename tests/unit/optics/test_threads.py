"""Many beams at once are followed on two cores where a process has them."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

_ASK = """
import json
import os
import threading

import numpy as np

from autocell.bench.file import load, shipped
from autocell.optics.batch import Batch
from autocell.optics.trace import exit_of

bench = load(shipped("peat-bog"))
spacing = bench.spacing_at_zero_m + np.linspace(-3e-3, 3e-3, 501)[:, None]
batch = Batch.of(bench.cell(spacing), bench.beam(bench.zero))


def asked(threads=None, cells=batch):
    return exit_of(cells, 200, floor=1e-4, threads=threads).power.ravel().tolist()


def helpers():
    return sum("follows light" in thread.name for thread in threading.enumerate())


few = asked(cells=Batch.of(bench.cell(spacing[:50]), bench.beam(bench.zero)))
told = {"helpers of few": helpers(), "usual": asked(), "helpers": helpers(), "one": asked(1)}
if hasattr(os, "fork"):
    ours, theirs = os.pipe()
    if os.fork() == 0:
        os.write(theirs, b"same" if asked(2) == told["one"] else b"other")
        os._exit(0)
    os.close(theirs)
    told["in a copy"] = os.read(ours, 9).decode()
print(json.dumps(told))
"""


@pytest.mark.parametrize(("cores", "helpers"), [(1, 0), (2, 1), (8, 1)])
def test_the_usual_threads_are_the_cores_of_the_process_two_at_most(
    cores: int, helpers: int
) -> None:
    environment = {**os.environ, "NUMBA_NUM_THREADS": str(cores)}
    done = subprocess.run(
        [sys.executable, "-c", _ASK], env=environment, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["helpers of few"] == 0
    assert told["helpers"] == helpers
    assert told["usual"] == told["one"]
    assert max(told["one"]) > 0.3
    assert told.get("in a copy", "same") == "same"
