"""Planned holds against random ones: rms deviation left after two rounds on simulated engines.

Run ``python benchmarks/plan.py --help``. Every engine is drawn afresh from the seed and every
number is simulated. Both sides know the engine's reach: random holds are drawn evenly over it; the
first plan has no evidence and spreads its holds over the cells that lie in it; the second plan is
made from the first round's evidence. Where a plan asks for more than the engine reaches, the
simulated operator holds what it reaches. Each round's proposal, within all limits, is loaded for
the next, and rounds pool.

"map" is the rms over operating points spread evenly over the reach; "driven" weighs them as the
plan does, low and middle speeds first. Lower is better. The exit status is 1 when the planned holds
leave more than 75 random ones.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from tuneassist.grid import Floats, Grid
from tuneassist.loop.operating_points import driving_weight
from tuneassist.loop.plan import Plan, plan_holds
from tuneassist.loop.settings import PlanSettings
from tuneassist.pipeline import LogEvidence, gather, propose_on, reduce_log
from tuneassist.settings import EngineSettings, Setup, default_limits
from tuneassist.simulate import Car, SessionPlan, TrueEngine, draw_engine, simulate_session

PLENTY_MIN = 120.0
ARMS = ("40 planned", "40 random", "75 random")


@dataclass(frozen=True)
class Figures:
    """What one way of choosing holds left behind: rms after each round [%], and planned times."""

    map_pct: tuple[float, ...]
    driven_pct: tuple[float, ...]
    doubt_pct: tuple[float, ...] = ()
    minutes: tuple[float, ...] = ()


def setup_of(car: Car) -> Setup:
    return Setup(
        axes=car.axes,
        target=car.target,
        engine=EngineSettings(label=car.label, ignition=car.ignition),
        limits=default_limits(car.ignition),
    )


def reach_visits(engine: TrueEngine) -> Floats:
    """Cells that operating points of the engine come nearest to, as if it had been driven there."""
    rpm, load = engine.operating_points()
    axes = engine.car.axes
    row = np.searchsorted((axes.rpm[1:] + axes.rpm[:-1]) / 2.0, rpm)
    column = np.searchsorted((axes.load[1:] + axes.load[:-1]) / 2.0, load)
    return np.bincount(row * len(axes.load) + column, minlength=axes.size).astype(float)


def held_points(plan: Plan, car: Car) -> Floats:
    """What the operator can hold of what the plan asks for."""
    rpm = np.clip(plan.holds["rpm"].to_numpy(dtype=float), car.lowest_rpm, car.highest_rpm)
    load = plan.holds["load"].to_numpy(dtype=float)
    return np.column_stack([rpm, np.clip(load, car.lowest_load, car.highest_load(rpm))])


def rms(engine: TrueEngine, grid: Grid) -> tuple[float, float]:
    rpm, load = engine.operating_points()
    square = engine.miss_pct(rpm, load, grid) ** 2
    weight = driving_weight(engine.car.axes, rpm, load, PlanSettings())
    return float(np.sqrt(square.mean())), float(np.sqrt(np.average(square, weights=weight)))


def run_arm(seed: int, arm: str, rounds: int) -> Figures:
    engine = draw_engine(np.random.default_rng(seed))
    rng = np.random.default_rng([seed, ARMS.index(arm)])
    setup, visits = setup_of(engine.car), reach_visits(engine)
    count, kind = int(arm.split(maxsplit=1)[0]), arm.split()[1]
    rules = PlanSettings(max_holds=count)
    grid = Grid.zeros(setup.axes)
    logs: list[LogEvidence] = []
    in_force: list[Grid] = []
    evidence = None
    scores, doubts, minutes = [], [], []
    for number in range(rounds):
        drive = SessionPlan(holds=count)
        if kind == "planned":
            plan = plan_holds(
                evidence, setup=setup, minutes=PLENTY_MIN, settings=rules, visits=visits
            )
            doubts.append(plan.doubt_after_pct)
            minutes.append(plan.total_s / 60.0)
            held = held_points(plan, engine.car)
            drive = SessionPlan(points=held, hold_s=(rules.hold_s, rules.hold_s))
        session = simulate_session(engine, drive, grid=grid, rng=rng)
        logs.append(reduce_log(session.samples, name=f"round {number + 1}", setup=setup))
        in_force.append(grid)
        evidence = gather(logs, setup=setup, current=grid, in_force=in_force)
        grid = propose_on(evidence, setup=setup, current=grid).grid
        scores.append(rms(engine, grid))
    over_map, driven = zip(*scores, strict=True)
    return Figures(over_map, driven, tuple(doubts), tuple(minutes))


def report(rows: dict[str, list[Figures]], rounds: int) -> None:
    print(f"  {'':14}", *(f"{f'round {n + 1}: map':>14} {'driven':>7}" for n in range(rounds)))
    for arm, figures in rows.items():
        means = (
            f"{np.mean([f.map_pct[n] for f in figures]):14.3f} "
            f"{np.mean([f.driven_pct[n] for f in figures]):7.3f}"
            for n in range(rounds)
        )
        print(f"  {arm:14}", *means)
    planned = rows["40 planned"]
    for n in range(rounds):
        print(
            f"  plan {n + 1}: {np.mean([f.minutes[n] for f in planned]):.1f} min, "
            f"expected standard error {np.mean([f.doubt_pct[n] for f in planned]):.2f} %"
        )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--engines", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    seeds = [1000 * options.seed + number for number in range(options.engines)]
    jobs = [(seed, arm, options.rounds) for arm in ARMS for seed in seeds]
    with ProcessPoolExecutor(options.workers) as pool:
        done = list(pool.map(run_arm, *zip(*jobs, strict=True)))
    rows = {arm: done[k * len(seeds) : (k + 1) * len(seeds)] for k, arm in enumerate(ARMS)}
    print(f"{len(seeds)} simulated petrol engines, rms of what is left in %, mean over engines")
    report(rows, options.rounds)
    return verdicts(rows, options.rounds)


def verdicts(rows: dict[str, list[Figures]], rounds: int) -> int:
    """Compare the planned holds' last rms with the random ones'; 1 where the bar is missed."""
    planned = np.array([f.map_pct[-1] for f in rows["40 planned"]])
    bars = {
        f"75 random holds ({40 * rounds} planned)": [f.map_pct[0] for f in rows["75 random"]],
        f"{rounds} rounds of 75 random ({75 * rounds} holds)": [
            f.map_pct[-1] for f in rows["75 random"]
        ],
    }
    for name, bar in bars.items():
        gap = planned - np.array(bar)
        error = gap.std(ddof=1) / np.sqrt(len(gap))
        print(
            f"  {rounds} rounds of 40 planned {planned.mean():.3f} against {name} "
            f"{np.mean(bar):.3f}: difference {gap.mean():+.3f} +- {error:.3f}, at least as good "
            f"on {100 * np.mean(gap <= 0):.0f} % of the engines"
        )
    return int(planned.mean() > np.mean([f.map_pct[0] for f in rows["75 random"]]))


if __name__ == "__main__":
    sys.exit(main())
