"""Describing a cell must not cost the compiler's start."""

from __future__ import annotations

import subprocess
import sys

import pytest


@pytest.mark.parametrize(
    "module",
    ["autocell.optics.cell", "autocell.optics.gaussian", "autocell.optics.reentrance",
     "autocell.optics.absorption", "autocell.optics.plateau"],
)  # fmt: skip
def test_light_modules_import_neither_numba_nor_scipy(module):
    code = f"import sys, {module}; print('numba' in sys.modules, 'scipy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]
