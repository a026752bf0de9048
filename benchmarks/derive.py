"""Random sets of a standard and a strong tune: does a milder tune ever break a rule?

``python benchmarks/derive.py --cases 10000 --seed 1`` prints how often each promise was broken;
every count must be 0. Setups of both ignitions on fuel and boost, random grids, runs with gaps and
missing channels, shares, ceilings and margins. The promises are judged here by plain arithmetic and
by the independent checker, not by the code that keeps them. All numbers are made up.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tuneassist.correction import check_grid
from tuneassist.grid import Axes, Grid
from tuneassist.loop.derive import DerivedSet, derive_tunes
from tuneassist.loop.derive_settings import DeriveSettings, MildTune
from tuneassist.loop.tune_model import Tune
from tuneassist.loop.tune_set import check_tunes
from tuneassist.settings import (
    Ceiling,
    CorrectionSettings,
    EngineSettings,
    Setup,
    Target,
    default_limits,
)

LOADS = (("manifold pressure", "kPa", 30.0, 220.0), ("boost", "psi gauge", -10.0, 20.0),
         ("injected fuel", "mg/stroke", 5.0, 70.0))  # fmt: skip
PROMISES = ("breach by the checker", "outside the two tunes", "not at the resolution",
            "less safe than the strong tune", "leaner in boost than either (spark, fuel)",
            "more than the next stronger tune", "predicted torque out of order",
            "predicted reading over a ceiling", "share under load without a run",
            "refused by the check of the set", "error")  # fmt: skip
CLOSE = 1e-6
CHECKED = 20
"""The whole set is checked in one case of so many."""


@dataclass(frozen=True, eq=False)
class Case:
    """What a set is made from."""

    standard: Tune
    strong: Tune
    plans: tuple[MildTune, ...]
    settings: DeriveSettings


def random_case(rng: np.random.Generator) -> Case:
    """Draw a case; both grids keep every rule of their setup."""
    setup = _setup(rng)
    low = Grid.zeros(setup.axes) if rng.random() < 0.7 else _grid(setup, rng, 4.0)
    blanks = 0.0 if low.flat().any() else rng.choice([0.0, 0.0, 0.1])
    high = _grid(setup, rng, rng.choice([5.0, 12.0, 25.0]), blanks=blanks)
    runs = _runs(setup, rng)
    standard = Tune("standard", setup, low, "standard", run=runs[0])
    strong = Tune("power", setup, high, "power", run=runs[1])
    names = ("economy", "towing", "other")[: rng.integers(1, 4)]
    plans = tuple(_plan(name, setup, rng) for name in names)
    return Case(standard, strong, plans, _settings(rng))


def _setup(rng: np.random.Generator) -> Setup:
    name, unit, first, last = LOADS[rng.integers(3)]
    axes = Axes(
        rpm=np.sort(rng.choice(np.arange(8, 70), rng.integers(3, 9), replace=False)) * 100.0,
        load=np.round(np.linspace(first, last, rng.integers(3, 9)), 1),
        load_name=name,
        load_unit=unit,
    )
    ignition = rng.choice(["spark", "compression"])
    ceilings = {
        channel: Ceiling(float(rng.normal(middle, 0.15 * middle)))
        for channel, middle in (("exhaust_temp", 700.0), ("boost", 120.0), ("torque", 330.0))
        if rng.random() < 0.7
    }
    limits = replace(
        default_limits(ignition),
        max_total_pct=float(rng.choice([10.0, 30.0])),
        max_slope_rpm_pct=float(rng.choice([3.0, 10.0])),
        max_slope_load_pct=float(rng.choice([3.0, 10.0])),
        resolution_pct=float(rng.choice([0.1, 0.25, 0.5, 1.0])),
        ceilings=ceilings,
        boost_above_load=float(rng.uniform(first, last)) if rng.random() < 0.3 else None,
    )
    return Setup(
        axes=axes,
        target=Target(np.full(axes.shape, 0.9 if ignition == "spark" else 1.3)),
        engine=EngineSettings(label="simulated", ignition=ignition),
        correction=CorrectionSettings(acts_on=rng.choice(["fuel", "boost"])),
        limits=limits,
    )


def _grid(setup: Setup, rng: np.random.Generator, size: float, *, blanks: float = 0.0) -> Grid:
    """Draw a smooth field, smaller until it keeps every rule; some cells have no value."""
    shape, grain = setup.axes.shape, setup.limits.resolution_pct
    row, column = np.meshgrid(*(np.linspace(0, 1, n) for n in shape), indexing="ij")
    a, b, c = rng.uniform(-1, 1, 3)
    field = rng.choice([0.0, 0.6]) + np.sin(3 * a * row + 2 * b) * np.cos(3 * c * column)
    field = field + rng.normal(0.0, 0.1, shape)
    blank = rng.random(shape) < blanks
    while True:
        values = np.round(np.round(size * field / grain) * grain, 10) + 0.0
        grid = Grid(setup.axes, np.where(blank, np.nan, values))
        if not check_grid(grid, current=None, setup=setup):
            return grid
        size *= 0.7 if size > grain / 10 else 0.0


def _runs(
    setup: Setup, rng: np.random.Generator
) -> tuple[pd.DataFrame | None, pd.DataFrame | None]:
    if rng.random() < 0.15:
        return None, None
    rpm, gain = setup.axes.rpm, rng.normal(0.12, 0.08)
    found: list[pd.DataFrame | None] = []
    peak = rng.uniform(0.3, 0.7) * rpm[-1]
    for times in (1.0, 1.0 + gain):
        first, last = np.sort(rng.uniform(rpm[0] - 300, rpm[-1] + 300, 2))
        at = np.arange(max(first, 500.0), max(last, first + 900.0), 50.0)
        hump = 300.0 * times * np.exp(-(((at - peak) / (0.8 * rpm[-1])) ** 2))
        run = pd.DataFrame({"rpm": at, "torque_nm": hump * rng.normal(1.0, 0.002, len(at))})
        if rng.random() < 0.8:
            run["exhaust_temp_c"] = 480.0 + 200.0 * times * at / rpm[-1]
        if rng.random() < 0.8:
            run["boost_kpa"] = 90.0 * times * np.exp(-(((at - peak) / rpm[-1]) ** 2))
        if rng.random() < 0.5:
            band = 0.01 * run["torque_nm"]
            run = run.assign(torque_low_nm=run["torque_nm"] - band,
                             torque_high_nm=run["torque_nm"] + band)  # fmt: skip
        found.append(run)
    if rng.random() < 0.1:
        found[rng.integers(2)] = None
    return found[0], found[1]


def _plan(name: str, setup: Setup, rng: np.random.Generator) -> MildTune:
    low, full, cruise = rng.uniform(0, 1, 3)
    top = setup.limits.ceilings.get("torque", Ceiling(400.0)).ceiling
    own = {"torque": Ceiling(float(top * rng.uniform(0.7, 1)))} if rng.random() < 0.2 else {}
    return MildTune(
        name, name, low, full, cruise,
        sustained_exhaust_c=rng.choice([0.0, 50.0]),
        sustained_torque_pct=rng.choice([0.0, 10.0]),
        sustained_boost_pct=rng.choice([0.0, 5.0]),
        ceilings=own,
    )  # fmt: skip


def _settings(rng: np.random.Generator) -> DeriveSettings:
    return DeriveSettings(
        low_speed_rpm=rng.uniform(1000, 3000), blend_rpm=rng.uniform(100, 2000),
        cruise_below_share=rng.uniform(0, 0.5), full_load_from_share=rng.uniform(0.51, 1),
        margin_exhaust_c=rng.uniform(0, 40), margin_torque_pct=rng.uniform(0, 8),
        share_without_run=rng.uniform(0, 1), curve_doubt_pct=rng.uniform(0, 40),
    )  # fmt: skip


# -- the judge --------------------------------------------------------------------------------


def judge(case: Case, *, with_check: bool = True) -> Counter[str]:
    """Make the tunes of a case, and count the promises that were broken.

    The check of the set takes longer than all else, so that it may be left out.
    """
    try:
        made = derive_tunes(case.standard, case.strong, case.plans, settings=case.settings)
    except Exception as error:
        return Counter({"error": 1, f"  {type(error).__name__}: {str(error)[:80]}": 1})
    found: Counter[str] = Counter()
    above = case.strong
    for one in reversed(made.made):
        found += _of_grid(one.tune, above, case)
        above = one.tune
    found += _of_prediction(made, case)
    if with_check and _is_sound(made):
        own = {plan.name for plan in case.plans}
        bad = [f for f in check_tunes(made.tunes).findings if f.verdict == "breach"]
        found["refused by the check of the set"] += sum(bool(own & set(f.tunes)) for f in bad)
    return found


def _of_grid(tune: Tune, above: Tune, case: Case) -> Counter[str]:
    """Cell by cell, in plain loops."""
    setup, found = case.strong.setup, Counter[str]()
    on_fuel = setup.correction.acts_on == "fuel"
    is_spark = setup.engine.ignition == "spark"
    unsafe = -1.0 if is_spark and on_fuel else 1.0
    grain = setup.limits.resolution_pct
    found["breach by the checker"] += len(check_grid(tune.grid, current=None, setup=tune.setup))
    cells = zip(
        *(one.grid.flat().tolist() for one in (tune, case.standard, case.strong, above)),
        _boost(setup),
        strict=True,
    )
    for own, low, high, next_up, is_boost in cells:
        if np.isnan(low) or np.isnan(high):
            found["outside the two tunes"] += not np.isnan(own)
            continue
        found["outside the two tunes"] += (
            not min(low, high) - CLOSE <= own <= max(low, high) + CLOSE
        )
        found["not at the resolution"] += abs(own / grain - round(own / grain)) > CLOSE / grain
        found["less safe than the strong tune"] += unsafe * (own - high) > CLOSE
        found["more than the next stronger tune"] += unsafe * (own - next_up) > CLOSE
        if is_spark and on_fuel and is_boost:
            leaner = own < max(low, high) - CLOSE
            found["leaner in boost than either (spark, fuel)"] += leaner
    return found


def _boost(setup: Setup) -> list[bool]:
    """Cells in boost, by a plain reading of the rule; unknown counts."""
    limits, unit = setup.limits, setup.axes.load_unit
    kpa = {"kPa": (1.0, 0.0), "psi gauge": (6.894757293168, limits.barometer_kpa)}.get(unit)
    cells = []
    for load in setup.axes.cell_load().tolist():
        by_load = limits.boost_above_load is not None and load > limits.boost_above_load
        if kpa is not None:
            cells.append(by_load or load * kpa[0] + kpa[1] > limits.boost_above_kpa)
        else:
            cells.append(by_load or limits.boost_above_load is None)
    return cells


def _is_sound(made: DerivedSet) -> bool:
    """Whether the two runs rise in order, and keep every ceiling: else the check must object."""
    two = made.two
    if two is None or not (two.torque[1] > two.torque[0]).all():
        return False
    seen = {"torque": two.torque, "exhaust_temp": two.readings["exhaust_temp_c"],
            "boost": two.readings["boost_kpa"]}  # fmt: skip
    tops = [
        (np.nanmax(np.nan_to_num(pair)), ceiling.ceiling)
        for one in made.made
        for name, ceiling in one.tune.setup.limits.ceilings.items()
        for pair in ([seen[name][0], seen[name][1] if _safe_side(made).any() else seen[name][0]],)
    ]
    return all(top <= ceiling for top, ceiling in tops)


def _of_prediction(made: DerivedSet, case: Case) -> Counter[str]:
    found: Counter[str] = Counter()
    if made.two is None:
        found["share under load without a run"] += _unseen(made, case)
        return found
    low, high = made.two.torque
    before = low
    for one in made.made:
        torque = one.prediction["torque_nm"].to_numpy()
        known = np.isfinite(torque) & (high >= low)
        ends = np.where(known, (torque < before - CLOSE) | (torque > high + CLOSE), False)
        found["predicted torque out of order"] += int(ends.sum())
        before = np.where(np.isfinite(torque), torque, before)
        found["predicted reading over a ceiling"] += _over(made, one.tune, one.prediction, case)
    return found


def _over(made: DerivedSet, tune: Tune, prediction: pd.DataFrame, case: Case) -> int:
    """Speeds at which more than the standard's reading would pass a ceiling with its margin."""
    over, settings = 0, case.settings
    share = prediction["share_high"].to_numpy()
    is_free = np.isfinite(share) & (share > CLOSE) & ~_safe_side(made)
    margins = {
        "torque": ("torque_high_nm", lambda top: top * (1 - settings.margin_torque_pct / 100)),
        "exhaust_temp": ("exhaust_temp_c", lambda top: top - settings.margin_exhaust_c),
        "boost": ("boost_kpa", lambda top: top * (1 - settings.margin_boost_pct / 100)),
    }
    for name, (column, under) in margins.items():
        if name in tune.setup.limits.ceilings:
            top = under(tune.setup.limits.ceilings[name].ceiling)
            values = prediction[column].to_numpy()
            over += int((is_free & (values > top + 1e-3)).sum())
    return over


def _safe_side(made: DerivedSet) -> np.ndarray:
    """Speeds next to a cell in which the strong tune is the safer one: all keep its value."""
    setup = made.strong.setup
    is_rich = (setup.engine.ignition, setup.correction.acts_on) == ("spark", "fuel")
    more = (made.strong.grid.flat() - made.standard.grid.flat()).reshape(setup.axes.shape)
    safer = (-more if is_rich else more) < -CLOSE
    rpm = setup.axes.rpm[safer.any(axis=1)]
    if made.two is None or not rpm.size:
        return np.zeros(0 if made.two is None else len(made.two.rpm), dtype=bool)
    place = np.clip(np.searchsorted(setup.axes.rpm, made.two.rpm), 1, len(setup.axes.rpm) - 1)
    return np.isin(setup.axes.rpm[place], rpm) | np.isin(setup.axes.rpm[place - 1], rpm)


def _unseen(made: DerivedSet, case: Case) -> int:
    """Heavy cells that keep more of the correction than is allowed without a run."""
    most, setup = case.settings.share_without_run, case.strong.setup
    offset = {"psi gauge": setup.limits.barometer_kpa / 6.894757293168}
    load = setup.axes.cell_load() + offset.get(setup.axes.load_unit, 0.0)
    heavy = load >= case.settings.full_load_from_share * load.max()
    bad = 0
    for one in made.made:
        cells = one.cells[heavy & (one.cells["bound"] != "safe side")]
        bad += int((cells["share"] > most + CLOSE).sum())
    return bad


def run_cases(seeds: range) -> Counter[str]:
    """Judge the cases of these seeds."""
    found: Counter[str] = Counter()
    for seed in seeds:
        broken = judge(random_case(np.random.default_rng(seed)), with_check=seed % CHECKED == 0)
        found += broken
        if sum(broken.values()):
            found[f"  at seed {seed}: {'; '.join(sorted(+broken))}"] += 1
    return found


def main() -> int:
    """Print the counts; 1 where any is not 0."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    asked = parser.parse_args()
    start = time.perf_counter()
    parts = [range(asked.seed + at, asked.seed + asked.cases, asked.workers * 4)
             for at in range(asked.workers * 4)]  # fmt: skip
    with ProcessPoolExecutor(asked.workers) as pool:
        found = sum(pool.map(run_cases, parts), Counter())
    took = time.perf_counter() - start
    print(f"{asked.cases} cases, {took:.0f} s, {1000 * took / asked.cases:.1f} ms each")
    for name in PROMISES:
        print(f"{found[name]:8d}  {name}")
    for line in sorted(name for name in found if name.startswith("  "))[:20]:
        print(line.strip())
    return int(any(found[name] for name in PROMISES))


if __name__ == "__main__":
    sys.exit(main())
