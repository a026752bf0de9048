"""Random (evidence, current grid, rules) triples through limiter and checker.

``python benchmarks/limits.py --cases 100000 --seed 1`` prints the cases, the breaches (must be 0)
and the time per case. The tests draw their cases here too: a failure can be drawn again by seed.
All numbers are made up: extreme on purpose, not an engine.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from tuneassist.correction.checker import check_grid
from tuneassist.correction.limiter import LimitedStep, limit_step
from tuneassist.grid import Axes, Grid
from tuneassist.pipeline import raw_step
from tuneassist.settings import (
    CEILING_CHANNELS,
    Ceiling,
    CorrectionSettings,
    EngineSettings,
    LimitSettings,
    Region,
    Setup,
    Target,
)

READINGS = {
    "exhaust_temp": (880.0, 60.0),
    "boost": (110.0, 25.0),
    "torque": (350.0, 80.0),
    "rail_pressure": (150e3, 20e3),
    "injector_duty": (75.0, 12.0),
    "knock": (3.0, 2.0),
}
LOADS = (("manifold pressure", "kPa", 40.0, 200.0), ("boost", "psi", -5.0, 20.0),
         ("air mass", "mg/stroke", 150.0, 900.0))  # fmt: skip
Triple = tuple[pd.DataFrame, Grid, Setup]


WIDE_OPEN = LimitSettings(
    max_step_pct=50.0,
    max_total_pct=90.0,
    max_slope_rpm_pct=90.0,
    max_slope_load_pct=90.0,
    step_at_low_pct=60.0,
    step_at_fair_pct=60.0,
    step_at_good_pct=60.0,
    richest_lambda=0.3,
    leanest_lambda=5.0,
    boost_leanest_lambda=5.0,
    lean_in_boost="low",
    max_lean_step_in_boost_pct=60.0,
    max_lean_total_in_boost_pct=90.0,
    raise_fuel_unwatched=True,
)
"""Limits that stop nothing that the crafted cases ask for, so that one rule can be closed alone."""


UNTOUCHED = {
    "unsafe_step_barred": "",
    "holds": np.inf,
    "worth": 9.0,
    "own_high_pct": -90.0,
    "holds_in_all": 99,
}
"""What cells have of evidence of their own where a crafted case gives it to one of them."""


def crafted(
    changes: dict[int, dict[str, Any]] | None = None,
    *,
    ignition: str = "spark",
    acts_on: str = "fuel",
    kind: str = "aim",
    load: tuple[float, float, float] = (40.0, 60.0, 80.0),
    load_unit: str = "kPa",
    **limits: Any,
) -> tuple[pd.DataFrame, Setup]:
    """Three by three cells on target with good evidence, changed by cell and limit by limit."""
    axes = Axes(np.array([1000.0, 2000.0, 3000.0]), np.array(load), "load", load_unit)
    cells = pd.DataFrame(
        {
            "rpm": axes.cell_rpm(),
            "load": axes.cell_load(),
            "target_lambda": 0.9,
            "deviation_pct": 0.0,
            "se_pct": 0.5,
            "confidence": "good",
            "lambda_measured": np.nan,
            "manifold_pressure_kpa": np.nan,
            **{f"{column}_max": np.nan for column, _ in CEILING_CHANNELS.values()},
        }
    )
    for cell, values in (changes or {}).items():
        for column, value in values.items():
            if column not in cells:
                cells[column] = UNTOUCHED[column]
            cells.loc[cell, column] = value
    cells["ci_low_pct"] = cells["deviation_pct"] - 1.0
    cells["ci_high_pct"] = cells["deviation_pct"] + 1.0
    setup = Setup(
        axes=axes,
        target=Target(np.full(axes.shape, 0.9), kind=kind),
        engine=EngineSettings(ignition=ignition),
        correction=CorrectionSettings(acts_on=acts_on),
        limits=replace(WIDE_OPEN, **limits),
    )
    return raw_step(cells, setup), setup


def random_axes(rng: np.random.Generator) -> Axes:
    name, unit, low, high = LOADS[rng.integers(len(LOADS))]
    rows, columns = rng.integers(2, 6, size=2)
    rpm = 800.0 + np.cumsum(rng.uniform(200, 900, rows))
    return Axes(rpm, np.linspace(low, high, columns), load_name=name, load_unit=unit)


def random_limits(rng: np.random.Generator, axes: Axes, ignition: str) -> LimitSettings:
    names = [name for name in CEILING_CHANNELS if rng.random() < 0.3]
    ceilings = {}
    for name in names:
        mean, spread = READINGS[name]
        top = mean + spread * rng.uniform(0, 2)
        ceilings[name] = Ceiling(top, top + spread * rng.random() if rng.random() < 0.6 else None)
    steps = np.sort(rng.uniform(0, 20, 3)).tolist()
    leanest = rng.uniform(1.05, 1.3) if ignition == "spark" else rng.uniform(1.5, 8)
    return LimitSettings(
        max_step_pct=rng.uniform(0.5, 20),
        max_total_pct=rng.uniform(1, 30),
        max_slope_rpm_pct=rng.uniform(0, 12),
        max_slope_load_pct=rng.uniform(0, 12),
        richest_lambda=rng.uniform(0.6, 0.9) if ignition == "spark" else rng.uniform(1.0, 1.4),
        leanest_lambda=leanest,
        boost_leanest_lambda=rng.uniform(0.85, 1.1),
        boost_above_load=None if rng.random() < 0.7 else float(np.mean(axes.load)),
        lean_in_boost=str(rng.choice(["low", "fair", "good", "never"])),
        max_lean_step_in_boost_pct=rng.uniform(0.5, 15),
        max_lean_total_in_boost_pct=rng.uniform(1, 25),
        boost_lean_min_holds=rng.uniform(0, 3),
        boost_lean_end_pct=rng.uniform(0, 4),
        step_at_low_pct=steps[0],
        step_at_fair_pct=steps[1],
        step_at_good_pct=steps[2],
        resolution_pct=float(rng.choice([0.01, 0.1, 0.1, 0.390625, 0.5, 1.0])),
        step_back_pct=rng.uniform(0, 6),
        foresee_margin_pct=rng.uniform(0, 60),
        raise_fuel_unwatched=bool(rng.random() < 0.4),
        ceilings=ceilings,
        regions=tuple(random_region(rng, axes, i) for i in range(rng.integers(0, 3))),
    )


def random_region(rng: np.random.Generator, axes: Axes, index: int) -> Region:
    def some(low: float, high: float) -> float | None:
        return rng.uniform(low, high) if rng.random() < 0.4 else None

    rpm = np.sort(rng.choice(axes.rpm, 2)).tolist()
    load = np.sort(rng.choice(axes.load, 2)).tolist()
    return Region(
        rpm=(rpm[0], rpm[1]),
        load=(load[0], load[1]),
        name=f"region {index}",
        max_step_pct=some(0.5, 10),
        max_total_pct=some(1, 20),
        richest_lambda=some(0.7, 1.3),
        leanest_lambda=some(0.95, 3),
        lean_in_boost=None if rng.random() < 0.6 else str(rng.choice(["fair", "good", "never"])),
    )


def random_grid(rng: np.random.Generator, axes: Axes, resolution: float) -> Grid:
    kind = rng.integers(4)
    if kind == 0:
        return Grid.zeros(axes)
    values = rng.uniform(-8, 8) + rng.normal(0, (2.0, 8.0, 20.0)[kind - 1], axes.shape)
    values = np.clip(values, -60, 80)
    if kind == 1:
        values = np.round(values / resolution) * resolution
    values[rng.random(axes.shape) < (0.15 if kind == 3 else 0.0)] = np.nan
    return Grid(axes, values)


def random_cells(rng: np.random.Generator, axes: Axes, setup: Setup) -> pd.DataFrame:
    n = axes.size
    spread = rng.choice([2.0, 6.0, 15.0])
    deviation = np.clip(rng.normal(rng.uniform(-8, 8), spread, n), -60, 120)
    se = rng.uniform(0.1, 3.0, n)
    word = rng.choice(["none", "low", "fair", "good"], n, p=[0.2, 0.15, 0.25, 0.4])
    target = setup.target.table.ravel()
    frame: dict[str, Any] = {
        "rpm": axes.cell_rpm(),
        "load": axes.cell_load(),
        "target_lambda": target,
        "deviation_pct": np.where(word == "none", np.nan, deviation),
        "se_pct": np.where(rng.random(n) < 0.05, np.nan, se),
        "ci_low_pct": deviation - 2 * se,
        "ci_high_pct": deviation + 2 * se,
        "confidence": word,
        "lambda_measured": target * (1 + deviation / 100) * rng.normal(1, 0.01, n),
        "manifold_pressure_kpa": np.where(rng.random(n) < 0.2, np.nan, rng.uniform(40, 220, n)),
    }
    if rng.random() < 0.7:
        frame["worth"] = rng.uniform(0, 5, n)
        own = deviation + rng.uniform(0, 6, n)
        frame["own_high_pct"] = np.where(rng.random(n) < 0.2, np.nan, own)
        frame["holds_in_all"] = int(rng.integers(5, 80))
        frame["lean_doubt_pct"] = float(rng.choice([0.0, 0.0, 2.0]))
    if rng.random() < 0.3:
        frame["unsafe_step_barred"] = np.where(rng.random(n) < 0.4, "a doubt", "")
    for name, (mean, width) in READINGS.items():
        if rng.random() < 0.7:
            top = rng.normal(mean, width, n)
            if rng.random() < 0.2:  # a sensor that is dead, cold or far from its ceiling
                top = top * rng.uniform(0.0, 0.7) * (rng.random() < 0.7)
            frame[f"{CEILING_CHANNELS[name][0]}_max"] = np.where(rng.random(n) < 0.3, np.nan, top)
    return pd.DataFrame(frame)


def random_case(rng: np.random.Generator) -> Triple:
    """Draw cells (with their raw step), a current grid and a setup."""
    axes = random_axes(rng)
    ignition = str(rng.choice(["spark", "compression"]))
    limits = random_limits(rng, axes, ignition)
    base = 0.9 if ignition == "spark" else 1.6
    table = base * rng.uniform(0.85, 1.2, axes.shape)
    table[rng.random(axes.shape) < 0.05] = np.nan
    table[0, 0] = base
    setup = Setup(
        axes=axes,
        target=Target(table, kind=str(rng.choice(["aim", "aim", "floor"]))),
        engine=EngineSettings(ignition=ignition),
        correction=CorrectionSettings(
            acts_on="boost" if rng.random() < 0.3 else "fuel", gain=rng.uniform(0.3, 1.5)
        ),
        limits=limits,
    )
    cells = random_cells(rng, axes, setup)
    raw = raw_step(cells, setup)
    return raw, random_grid(rng, axes, limits.resolution_pct), setup


def same_grid(one: LimitedStep, two: LimitedStep) -> bool:
    return np.array_equal(one.grid.values, two.grid.values, equal_nan=True)


def objections(triple: Triple, limited: LimitedStep) -> list[str]:
    """Say what is wrong with a limited step: a rule broken, a move without evidence, no rest."""
    cells, current, setup = triple
    breaches = check_grid(limited.grid, current=current, setup=setup, cells=cells)
    found = [breach.sentence for breach in breaches]
    none = ((cells["confidence"] == "none") | cells["target_lambda"].isna()).to_numpy()
    if limited.step_pct[none].any():
        found.append("a cell without evidence moved")
    asked_again = cells.assign(raw_pct=limited.step_pct)
    if not same_grid(limit_step(asked_again, current=current, setup=setup), limited):
        found.append("limiting the limited step changed it")
    return found


def repeat(triple: Triple, limited: LimitedStep) -> list[str]:
    """Limit a copy of the same input: the grid must be equal to the last bit."""
    cells, current, setup = triple
    second = limit_step(cells.copy(), current=current, setup=setup)
    return [] if same_grid(second, limited) else ["the same input gave two grids"]


WIDER = {
    "max_step_pct": 1,
    "max_total_pct": 1,
    "max_slope_rpm_pct": 1,
    "max_slope_load_pct": 1,
    "step_at_good_pct": 1,
    "leanest_lambda": 0.01,
    "boost_leanest_lambda": 0.01,
    "max_lean_step_in_boost_pct": 1,
    "max_lean_total_in_boost_pct": 1,
    "boost_lean_end_pct": 1,
    "richest_lambda": -0.01,
}


def lone_cell(triple: Triple, rng: np.random.Generator) -> list[str]:
    """Leave evidence in one cell, widen one rule: its move must not get smaller."""
    cells, current, setup = triple
    alone = int(rng.integers(len(cells)))
    cells = cells.assign(
        confidence=np.where(np.arange(len(cells)) == alone, "good", "none"),
        deviation_pct=(cells["ci_low_pct"] + cells["ci_high_pct"]) / 2,
    )
    cells = raw_step(cells, setup)
    key = str(rng.choice(list(WIDER)))
    wide = getattr(setup.limits, key) + WIDER[key] * rng.uniform(0, 10)
    wider = replace(setup, limits=replace(setup.limits, **{key: wide}))
    moves = [
        abs(limit_step(cells, current=current, setup=each).step_pct[alone])
        for each in (setup, wider)
    ]
    if moves[1] < moves[0] - 1e-9:
        return [f"a wider {key} gave a smaller move: {moves[1]:.6f} after {moves[0]:.6f}"]
    return []


def run(seed: int, start: int, stop: int, every: int) -> tuple[list[str], float]:
    """Return the objections to cases ``start`` to ``stop``, and the limiter's time in all. [s]"""
    found: list[str] = []
    spent = 0.0
    for number in range(start, stop):
        rng = np.random.default_rng([seed, number])
        triple = random_case(rng)
        clock = time.perf_counter()
        limited = limit_step(triple[0], current=triple[1], setup=triple[2])
        spent += time.perf_counter() - clock
        wrong = objections(triple, limited)
        if number % every == 0:
            wrong += repeat(triple, limited) + lone_cell(triple, rng)
        found += [f"case {number}: {sentence}" for sentence in wrong]
    return found, spent


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--every", type=int, default=5, help="repeat and lone-cell checks")
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    clock = time.perf_counter()
    edges = np.linspace(0, options.cases, options.workers + 1).astype(int).tolist()
    with ProcessPoolExecutor(options.workers) as pool:
        jobs = [
            pool.submit(run, options.seed, start, stop, options.every)
            for start, stop in itertools.pairwise(edges)
        ]
        results = [job.result() for job in jobs]
    whole = time.perf_counter() - clock
    found = [sentence for sentences, _ in results for sentence in sentences]
    print("\n".join(found), end="\n" if found else "")
    each = sum(spent for _, spent in results) / max(options.cases, 1)
    print(f"cases           {options.cases}, each with checker and limited twice")
    print(
        f"                every {options.every}th also repeated, and a lone cell with a wider rule"
    )
    print(f"breaches        {len(found)}")
    print(f"limiter         {1e3 * each:.2f} ms per case")
    print(f"whole check     {1e3 * whole / max(options.cases, 1):.2f} ms per case, {whole:.0f} s")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
