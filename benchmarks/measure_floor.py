"""How far the kernel is from what the vector unit could do: counted operations, measured rates."""

from __future__ import annotations

import math
from functools import partial

import numpy as np
from conftest import best_seconds
from multipass import benches
from operations import per_pass_step

from autocell.optics.compiled import compiled
from autocell.optics.trace import exit_power

_LENGTH = 256


@compiled
def _add_and_multiply(x, rounds):
    for _ in range(rounds):
        for i in range(_LENGTH):
            a = x[i]
            for _k in range(6):
                a = a * 0.999 + 0.001
            x[i] = a


@compiled
def _root(x, rounds):
    for _ in range(rounds):
        for i in range(_LENGTH):
            x[i] = math.sqrt(x[i])


@compiled
def _divide(x, rounds):
    for _ in range(rounds):
        for i in range(_LENGTH):
            x[i] = 1.25 / x[i]


@compiled
def _store(x, rounds):
    for k in range(rounds):
        for i in range(_LENGTH):
            x[i] += k


def test_floor(results):
    found = per_pass_step()
    rounds = 4000
    ns = {
        name: 1e9 * _seconds(kernel, rounds) / (rounds * _LENGTH * each)
        for name, kernel, each in (
            ("arithmetic", _add_and_multiply, 12),
            ("roots", _root, 1),
            ("divisions", _divide, 1),
            ("stores", _store, 1),
        )
    }
    arithmetic = ns["arithmetic"] * (found["additions"] + found["multiplications"])
    divider = ns["roots"] * found["roots"] + ns["divisions"] * found["divisions"]
    stores = ns["stores"] * found["stores"]
    floor = max(arithmetic, divider, stores)
    step = _one_pass_ns()

    results.fact(
        "operations per pass-step",
        f"{found['additions']} +, {found['multiplications']} x, {found['divisions']} /, "
        f"{found['roots']} roots",
    )
    results.fact("  additions and multiplications at the measured rate", f"{arithmetic:.2f} ns")
    results.fact("  divisions and roots at the measured rate", f"{divider:.2f} ns")
    results.fact(f"  {found['stores']} stores at the measured rate", f"{stores:.2f} ns")
    results.fact("  one more pass, all told", f"{step:.2f} ns", f"{step / floor:.2f} x the floor")


def _one_pass_ns() -> float:
    """What one more pass costs, without what each bench costs once."""
    batch = benches(10_000)
    few, many = best_seconds([partial(exit_power, *batch, n) for n in (20, 60)], 25)
    return 1e9 * (many - few) / (40 * 10_000)


def _seconds(kernel, rounds: int) -> float:
    x = np.linspace(1.0, 2.0, _LENGTH)
    return best_seconds([lambda: kernel(x, rounds)], 15)[0]
