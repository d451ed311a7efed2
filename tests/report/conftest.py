"""A change to 62 passes on the peat bog, made up from the optics alone: no procedure, no driver.

The bench differs from its file by numbers fixed here; readings are what the exact trace gives,
with seeded noise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from numpy.typing import ArrayLike

from autocell.bench.file import load, shipped
from autocell.description import BenchDescription
from autocell.optics.cell import Cell
from autocell.optics.trace import exit_power, trace
from autocell.outcome import (
    BudgetRow,
    Evidence,
    Outcome,
    PathLength,
    Proof,
    Spot,
    Staircase,
    Verdict,
)
from autocell.reading import Reading
from autocell.records import RunRecord, Store
from autocell.setting import Setting

BEGAN = datetime(2026, 11, 25, 2, 0, 13, tzinfo=UTC)
PASSES = 62
OFFSET_M = 0.42e-3
REFLECTIVITY = 0.9853
GAIN = 0.97
RADIUS_M = 0.5004


def true_cell(
    bench: BenchDescription, nominal_m: ArrayLike, offset_m: ArrayLike, r: ArrayLike
) -> Cell:
    """The cell behind the readings, or a batch of model cells near it."""
    cell = bench.cell(0.0)
    return replace(
        cell.at_spacing(np.asarray(nominal_m) + np.asarray(offset_m)),
        entrance_mirror=replace(
            cell.entrance_mirror, radius_x_m=RADIUS_M, radius_y_m=RADIUS_M, reflectivity=r
        ),
        far_mirror=replace(
            cell.far_mirror, radius_x_m=RADIUS_M, radius_y_m=RADIUS_M, reflectivity=r
        ),
    )


@pytest.fixture(scope="session")
def bench() -> BenchDescription:
    return load(shipped("peat-bog"))


@pytest.fixture(scope="session")
def outcome(bench: BenchDescription) -> Outcome:
    beam = bench.beam(bench.zero)
    grid = np.round(np.arange(0.2280, 0.2500, 0.00005), 6)
    one = exit_power(true_cell(bench, grid, OFFSET_M, REFLECTIVITY), beam, 400)
    plateau = grid[(one.passes == PASSES) & (one.passes_power > 0.37)]
    low, high = float(plateau[0]), float(plateau[-1])
    chosen = round(0.5 * (low + high), 6)

    rng = np.random.default_rng(62)
    offsets = OFFSET_M + 0.03e-3 * rng.standard_normal((60, 1))
    reflectivities = REFLECTIVITY + 1.5e-4 * rng.standard_normal((60, 1))
    gains = bench.laser.power_w * (GAIN + 0.004 * rng.standard_normal((60, 1)))
    powers = gains * exit_power(true_cell(bench, grid, offsets, reflectivities), beam, 400).power
    bands = [tuple(q.tolist()) for q in np.quantile(powers, (0.05, 0.5, 0.95), axis=0)]

    spacing = chosen + OFFSET_M
    path = trace(true_cell(bench, chosen, OFFSET_M, REFLECTIVITY), beam, PASSES)
    budget = (
        BudgetRow("spacing, offset of the scale", spacing * 1e3, "mm", 0.018, 0.062, 1.116e-3,
                  "belief after the survey"),
        BudgetRow("spacing, repeatability", 0.0, "mm", 0.001, 0.062, 6.2e-5, "bench file"),
        BudgetRow("radius of curvature", 500.4, "mm", 0.31, 4.1e-5, 1.3e-5, "belief"),
        BudgetRow("input slope, horizontal", -40.0, "mrad", 0.42, 1.1e-4, 4.6e-5, "belief"),
    )  # fmt: skip
    return Outcome(
        verdict=Verdict.REACHED,
        reason="Both edges of the plateau were found and the setting is centred between them.",
        wanted_passes=PASSES,
        passes=PASSES,
        proof=Proof(
            proved=True,
            probability=0.99981,
            evidence=(
                Evidence("The plateau is 3.088 mW high; 62 passes give 3.09 ± 0.02 mW, 56 give "
                         "3.38 mW and 68 give 2.83 mW.", True),
                Evidence(f"The lower edge was found at {low * 1e3:.2f} mm, 0.02 mm from where "
                         "62 passes put it.", True),
                Evidence(f"The upper edge was found at {high * 1e3:.2f} mm, 0.01 mm from where "
                         "62 passes put it.", True),
                Evidence("All 6 edges seen in the survey fit one bench; the worst is 1.7 standard "
                         "deviations off.", True),
                Evidence("Light that leaves early is below 1 % of the output.", True),
            ),
            alternatives=((56, 9.1), (68, 8.9), (60, 13.0)),
        ),
        readings=0,
        moves=0,
        spacing_m=spacing,
        setting=bench.zero.at_spacing(chosen),
        start=bench.zero.at_spacing(0.2495),
        path_length=PathLength(float(path.exit.path_length_m), 2.24e-3, 2.0, budget),
        throughput=0.3968,
        throughput_u=0.0021,
        expected_throughput=REFLECTIVITY ** (PASSES - 1),
        margin_low_m=chosen - low,
        margin_high_m=high - chosen,
        posterior=((62, 0.99981), (68, 1.1e-4), (56, 7.3e-5), (60, 2e-6)),
        staircase=Staircase(
            tuple(grid.tolist()),
            bands[0],
            bands[1],
            bands[2],
            tuple(int(passes) for passes in one.passes),
        ),
        spots=Spot.along(path),
    )  # fmt: skip


@pytest.fixture(scope="session")
def run(bench: BenchDescription, outcome: Outcome) -> Iterator[RunRecord]:
    now = BEGAN
    rng = np.random.default_rng(2)
    assert outcome.start is not None
    assert outcome.setting is not None
    setting: Setting = outcome.start
    chosen: Setting = outcome.setting
    assert outcome.margin_low_m is not None
    assert outcome.margin_high_m is not None
    low, high = (
        chosen.spacing_m - outcome.margin_low_m,
        chosen.spacing_m + outcome.margin_high_m,
    )
    with Store.open(":memory:", utc=lambda: now) as store:
        writer = store.begin("change", bench, BEGAN, "0.1.0", {"passes": PASSES})
        time_s, moves, travel_m, readings = 4.0, 0, 0.0, 0

        def read(purpose: str) -> None:
            nonlocal time_s, now, readings
            cell = true_cell(bench, setting.spacing_m, OFFSET_M, REFLECTIVITY)
            true_w = (
                GAIN * bench.laser.power_w * float(exit_power(cell, bench.beam(setting), 400).power)
            )
            u = max(0.004 * true_w, 2e-6)
            time_s += 1.1
            now = BEGAN + timedelta(seconds=time_s)
            power = true_w + u * rng.standard_normal()
            writer.reading(Reading(setting, power, u, 8, time_s), purpose)
            readings += 1

        def go(spacing_m: float, purpose: str) -> Setting:
            nonlocal time_s, now, moves, travel_m
            start = setting.spacing_m - bench.spacing_at_zero_m
            target = spacing_m - bench.spacing_at_zero_m
            number = writer.move_intended(time_s, "spacing", start, target, purpose)
            time_s += abs(target - start) / 5e-3 + 0.3
            now = BEGAN + timedelta(seconds=time_s)
            position = target + 0.4e-6 * rng.standard_normal()
            writer.move_ended(number, time_s, position, "arrived")
            moves += 1
            travel_m += abs(target - start)
            return setting.at_spacing(bench.spacing_at_zero_m + position)

        read("health")
        for spacing in (0.2447, 0.2402, 0.2378, 0.2341, 0.2299, 0.2362, 0.2371, 0.2350):
            setting = go(spacing, "survey")
            read("survey")
        for purpose, spacings in (
            ("approach", (0.23575, chosen.spacing_m - 1.5e-4)),
            ("lower edge", (low - 6e-5, low + 4e-5, low - 1e-5)),
            ("upper edge", (high - 8e-5, high + 5e-5, high)),
            ("proof", (chosen.spacing_m,) * 3),
        ):
            for spacing in spacings:
                setting = go(spacing, purpose)
                read(purpose)
        writer.event(31.0, "reading rejected", "one of 8 samples was 9 deviations off the others")
        ended = replace(
            outcome, readings=readings, moves=moves, travel_m=travel_m, elapsed_s=time_s
        )
        writer.finish(ended)
        yield store.run(writer.id)
