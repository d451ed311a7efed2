"""General-purpose optimisers from the registries, each set as its manual advises for noise.

All of them work in unit coordinates, are told the size of a sensible first step and of the noise
where they can be told, and start again from the best reading when they are done early.
"""

from __future__ import annotations

import logging
import math
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np

from benchmarks.optimisers.objectives import Objective
from benchmarks.optimisers.power_bench import FloatArray, SpentError

FIRST_STEP = 0.1
"""Of the box."""

NOISE = 0.002
"""Standard deviation of an objective, near enough, for those who can be told."""

SMALLEST_STEP = 1e-3
"""Of the box: less than a hundredth of the first step is lost in the noise."""

Optimise = Callable[[Objective, FloatArray, np.random.Generator], FloatArray]
"""From an objective and a start to the recommended place, in unit coordinates."""


def nelder_mead(
    objective: Objective,
    start: FloatArray,
    random: np.random.Generator,
    first_step: float = FIRST_STEP,
) -> FloatArray:
    """scipy's, with a fresh simplex around the best reading whenever it has collapsed."""
    from scipy.optimize import minimize

    def once(at: FloatArray, step: float) -> None:
        signs = np.where(at > 0.5, -1.0, 1.0) if step == first_step else _signs(random, at)
        simplex = np.vstack([at, at + step * np.diag(signs)])
        minimize(
            objective,
            at,
            method="Nelder-Mead",
            bounds=_bounds(at),
            options={
                "initial_simplex": np.clip(simplex, 0.0, 1.0),
                "xatol": SMALLEST_STEP,
                "fatol": NOISE,
                "adaptive": True,
                "maxfev": objective.left,
            },
        )

    return _again_and_again(objective, start, once, first_step)


def powell(objective: Objective, start: FloatArray, random: np.random.Generator) -> FloatArray:
    """scipy's, line by line through the box."""
    from scipy.optimize import minimize

    def once(at: FloatArray, _: float) -> None:
        options: Any = {"xtol": SMALLEST_STEP, "ftol": NOISE, "maxfev": objective.left}
        minimize(objective, at, method="Powell", bounds=_bounds(at), options=options)

    return _again_and_again(objective, start, once)


def cobyqa(objective: Objective, start: FloatArray, random: np.random.Generator) -> FloatArray:
    """scipy's COBYQA, a quadratic model in a trust region."""
    from scipy.optimize import minimize

    def once(at: FloatArray, step: float) -> None:
        options: Any = {
            "initial_tr_radius": step,
            "final_tr_radius": SMALLEST_STEP,
            "maxfev": objective.left,
        }
        minimize(objective, at, method="COBYQA", bounds=_bounds(at), options=options)

    return _again_and_again(objective, start, once)


def cma_es(objective: Objective, start: FloatArray, random: np.random.Generator) -> FloatArray:
    """CMA-ES; its own favourite is the mean of its distribution, not its luckiest reading."""
    import cma

    options = {
        "bounds": [0.0, 1.0],
        "maxfevals": objective.left,
        "seed": int(random.integers(1, 2**31)),
        "tolfun": 0.0,
        "tolfunhist": 0.0,
        "tolflatfitness": math.inf,
        "verbose": -9,
    }
    strategy = cma.CMAEvolutionStrategy(start, 2.0 * FIRST_STEP, options)
    try:
        while not strategy.stop():
            units = strategy.ask()
            strategy.tell(units, [objective(unit) for unit in units])
    except SpentError:
        pass
    return np.asarray(strategy.result.xfavorite)


def py_bobyqa(objective: Objective, start: FloatArray, random: np.random.Generator) -> FloatArray:
    """Py-BOBYQA with its setting for noise, which restarts by itself."""
    import pybobyqa

    np.random.seed(int(random.integers(2**32)))  # it knows no other

    def once(at: FloatArray, step: float) -> None:
        pybobyqa.solve(
            objective,
            np.clip(at, 0.0, 1.0),
            bounds=(np.zeros_like(at), np.ones_like(at)),
            rhobeg=step,
            rhoend=SMALLEST_STEP,
            maxfun=objective.left,
            objfun_has_noise=True,
            do_logging=False,
            user_params={"noise.additive_noise_level": NOISE},
        )

    return _again_and_again(objective, start, once)


def py_bads(objective: Objective, start: FloatArray, random: np.random.Generator) -> FloatArray:
    """PyBADS, a Gaussian process beside a mesh, told that there is noise and how much."""
    from pybads import BADS

    zero, one = np.zeros_like(start), np.ones_like(start)
    optimiser = BADS(
        objective,
        np.clip(start, 1e-3, 1.0 - 1e-3),
        zero,
        one,
        np.clip(start - 2.0 * FIRST_STEP, 0.0, 1.0),
        np.clip(start + 2.0 * FIRST_STEP, 0.0, 1.0),
        options={
            "max_fun_evals": objective.left,
            "uncertainty_handling": True,
            "noise_size": NOISE,
            "tol_mesh": SMALLEST_STEP,
            "random_seed": int(random.integers(2**31)),
            "display": "off",
            "show_tips": False,
        },
    )
    return np.asarray(optimiser.optimize().x)


OPTIMISERS: dict[str, Optimise] = {
    "Nelder–Mead": nelder_mead,
    "Powell": powell,
    "COBYQA": cobyqa,
    "CMA-ES": cma_es,
    "Py-BOBYQA": py_bobyqa,
    "PyBADS": py_bads,
}


def quietly(
    optimise: Optimise, objective: Objective, start: FloatArray, random: np.random.Generator
) -> FloatArray:
    """Run one; what it warns of is its own affair, and the best reading counts if it runs out."""
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        logging.disable(logging.CRITICAL)
        try:
            return optimise(objective, start, random)
        except SpentError:
            return objective.best()
        finally:
            logging.disable(logging.NOTSET)


def _again_and_again(
    objective: Objective,
    start: FloatArray,
    once: Callable[[FloatArray, float], None],
    first_step: float = FIRST_STEP,
) -> FloatArray:
    """Once from the start, then from the best reading with half the step, until all is read."""
    at, step = start, first_step
    while objective.left > 2 * len(start) + 1:
        once(at, step)
        at, step = objective.best(), max(0.5 * step, 10.0 * SMALLEST_STEP)
    return objective.best()


def _bounds(at: FloatArray) -> list[tuple[float, float]]:
    return [(0.0, 1.0)] * len(at)


def _signs(random: np.random.Generator, at: FloatArray) -> FloatArray:
    return np.where(random.random(len(at)) < 0.5, -1.0, 1.0)
