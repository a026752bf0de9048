"""How near 40 values found by hand bring a map, and whether the intervals hold it.

Run ``python benchmarks/spots.py --help``. Every engine is drawn afresh from the seed, its map is
known, and every number is simulated. A tuner's values scatter about it by 1 % (one standard
deviation). Points are spread evenly inside the outermost spots; the map is judged before the
limits on a step, and the intervals at every point and in every cell that claims something.

"smooth" engines have maps without bumps narrower than a third of the table; those of "bumps" are as
rough as in ``accuracy.py``, where 40 values cannot show every bump. ``--known`` adds what the best
linear estimate reaches that is told how maps of this kind vary: no smooth fit can be expected to
leave less.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import Delaunay

from tuneassist.files.setup_file import read_setup
from tuneassist.files.spot_file import spots_of
from tuneassist.grid import Floats, bilinear_weights
from tuneassist.settings import Setup
from tuneassist.simulate import TrueEngine, draw_engine
from tuneassist.simulate.engine import draw_surface
from tuneassist.workflow.spots import propose_spots

SETUP = Path(__file__).resolve().parent.parent / "sample_logs" / "petrol-setup.toml"
SPOTS, SCATTER_PCT = 40, 1.0
STRATA = (5, 8)
"""Bands of load and of speed of which each gets one spot. [1]"""
ROUGHNESS = {"smooth": (2, (0.35, 0.8)), "middling": (4, (0.25, 0.5)), "bumps": (9, (0.11, 0.32))}
"""Number of bumps, and their width (one standard deviation) as a share of the table. [1]"""


@dataclass(frozen=True)
class Score:
    """One engine: shares of points within 1 %, and of points and cells inside their intervals.

    ``within`` is by the map, ``grid_within`` by the first grid that is written, within all limits.
    """

    within: float
    grid_within: float
    rms: float
    points_inside: float
    cells_inside: float
    half_width: float


def engine_of(rng: np.random.Generator, kind: str) -> TrueEngine:
    engine = draw_engine(rng)
    bumps, width = ROUGHNESS[kind]
    return replace(engine, error=draw_surface(engine.car, rng, bumps=bumps, bump_width=width))


def places(engine: TrueEngine, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Scattered over the range, one in each part of it, as a tuner goes about it."""
    car = engine.car
    bands_load, bands_rpm = STRATA
    at_rpm, at_load = np.meshgrid(np.arange(bands_rpm), np.arange(bands_load), indexing="ij")
    share_rpm = (at_rpm.ravel() + rng.uniform(0, 1, SPOTS)) / bands_rpm
    share_load = (at_load.ravel() + rng.uniform(0, 1, SPOTS)) / bands_load
    rpm = car.lowest_rpm + share_rpm * (car.highest_rpm - car.lowest_rpm)
    load = car.lowest_load + share_load * (car.highest_load(rpm) - car.lowest_load)
    return rpm, load


def run(seed: int, kind: str) -> Score:
    rng = np.random.default_rng(seed)
    engine, setup = engine_of(rng, kind), read_setup(SETUP)
    rpm, load = places(engine, rng)
    need = engine.true_error_pct(rpm, load)
    by_hand = (100.0 + need) * (1.0 + rng.normal(0.0, SCATTER_PCT / 100.0, SPOTS)) - 100.0
    table = pd.DataFrame({"rpm": rpm, "load": load, "correction_pct": by_hand})
    return judged(engine, setup, table)


def judged(engine: TrueEngine, setup: Setup, table: pd.DataFrame) -> Score:
    made = propose_spots(spots_of(table, setup=setup), setup=setup)
    fit, cells = made.evidence.fit, made.evidence.cells
    assert fit is not None
    rpm, load = engine.operating_points()
    is_inside = inside(setup, table, rpm, load)
    rpm, load = rpm[is_inside], load[is_inside]
    weights = bilinear_weights(setup.axes, rpm, load)
    miss = weights @ fit.theta - _log(engine, rpm, load)
    spread = np.asarray(weights.multiply(weights @ fit.covariance).sum(axis=1)).ravel()
    half = fit.half_width()[0] / fit.standard_error[0] * np.sqrt(spread)
    known = cells[cells["confidence"] != "none"]
    true = engine.true_error_pct(known["rpm"].to_numpy(), known["load"].to_numpy())
    holds_true = (known["ci_low_pct"] <= true) & (true <= known["ci_high_pct"])
    return Score(
        within=float(np.mean(np.abs(np.expm1(miss)) <= 0.01)),
        grid_within=float(np.mean(np.abs(engine.miss_pct(rpm, load, made.grid)) <= 1.0)),
        rms=100.0 * float(np.sqrt(np.mean(miss**2))),
        points_inside=float(np.mean(np.abs(miss) <= half)),
        cells_inside=float(np.mean(holds_true)),
        half_width=100.0 * float(half.mean()),
    )


def known_within(seed: int, kind: str, maps: int) -> float:
    """Share of points within 1 % for the linear estimate with the kind's own covariance.

    Mean and covariance come from ``maps`` other maps of the kind (best linear unbiased prediction:
    Robinson, Statistical Science 6 (1991) 15, from memory).
    """
    rng = np.random.default_rng(seed)
    engine, setup = engine_of(rng, kind), read_setup(SETUP)
    rpm, load = places(engine, rng)
    read = _log(engine, rpm, load) + np.log1p(rng.normal(0.0, SCATTER_PCT / 100.0, SPOTS))
    at_rpm, at_load = engine.operating_points()
    is_inside = inside(setup, pd.DataFrame({"rpm": rpm, "load": load}), at_rpm, at_load)
    at_rpm, at_load = at_rpm[is_inside], at_load[is_inside]
    other = np.random.default_rng((seed, maps))
    bumps, width = ROUGHNESS[kind]
    surfaces = (draw_surface(engine.car, other, bumps=bumps, bump_width=width) for _ in range(maps))
    drawn = [replace(engine, error=surface) for surface in surfaces]
    spots = np.array([_log(one, rpm, load) for one in drawn])
    points = np.array([_log(one, at_rpm, at_load) for one in drawn])
    spots_mean, points_mean = spots.mean(axis=0), points.mean(axis=0)
    spread = spots - spots_mean
    variance = spread.T @ spread / maps + np.eye(SPOTS) * (SCATTER_PCT / 100.0) ** 2
    shared = (points - points_mean).T @ spread / maps
    miss = points_mean + shared @ np.linalg.solve(variance, read - spots_mean)
    miss -= _log(engine, at_rpm, at_load)
    return float(np.mean(np.abs(np.expm1(miss)) <= 0.01))


def _log(engine: TrueEngine, rpm: Floats, load: Floats) -> Floats:
    return np.log1p(engine.true_error_pct(rpm, load) / 100.0)


def inside(setup: Setup, table: pd.DataFrame, rpm: Floats, load: Floats) -> npt.NDArray[np.bool_]:
    """Return which points lie inside the outermost spots."""
    scale = np.array([np.ptp(setup.axes.rpm), np.ptp(setup.axes.load)])
    hull = Delaunay(table[["rpm", "load"]].to_numpy(dtype=float) / scale)
    return np.asarray(hull.find_simplex(np.column_stack([rpm, load]) / scale) >= 0)


def scores(kind: str, seeds: range, workers: int = 1) -> pd.DataFrame:
    """One row per engine."""
    if workers == 1:
        return pd.DataFrame([run(seed, kind) for seed in seeds])
    with ProcessPoolExecutor(workers) as pool:
        return pd.DataFrame(list(pool.map(run, seeds, [kind] * len(seeds))))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--engines", type=int, default=60, help="engines of each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--known", type=int, default=0, metavar="MAPS", help="maps drawn to learn their kind from"
    )
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    options = parser.parse_args()
    seeds = range(1000 * options.seed, 1000 * options.seed + options.engines)
    print(f"{SPOTS} spots, {SCATTER_PCT:g} % scatter, {options.engines} simulated engines a kind")
    print("  map        within 1 %    rms  first grid  intervals: points   cells  half width")
    for kind in ROUGHNESS:
        mean = scores(kind, seeds, options.workers).mean()
        within, grid, points, cells = (
            f"{100.0 * mean[name]:.1f} %"
            for name in ("within", "grid_within", "points_inside", "cells_inside")
        )
        print(
            f"  {kind:10} {within:>10} {mean['rms']:6.2f} {grid:>11} {points:>18} {cells:>7} "
            f"{mean['half_width']:9.2f} %"
        )
        if options.known:
            share = np.mean([known_within(seed, kind, options.known) for seed in seeds])
            print(f"    told how such maps vary: {100.0 * share:.1f} % within 1 %")


if __name__ == "__main__":
    main()
