"""Values found by hand on a simulated car: the correction at which the mixture suits."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tuneassist.grid import Axes, Grid, bilinear_weights
from tuneassist.settings import Target
from tuneassist.simulate.engine import TrueEngine

SCATTER_PCT, STEP_PCT = 1.0, 0.5
"""How far a value found by hand is off, one standard deviation, and the steps of the knob. [%]"""
SPEED_STEP, LOAD_STEPS = 50.0, 60
"""Speed is read to so many rpm, and load to one of so many steps of its range. [rpm], [1]"""
Wanted = tuple[Axes, Target]
"""Breakpoints, and the lambda that is wanted there."""


def find_by_hand(
    engine: TrueEngine,
    count: int,
    *,
    grid: Grid | None = None,
    wanted: Wanted | None = None,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Turn the correction at scattered points until lambda is on target.

    Parameters
    ----------
    engine
        The truth.
    count
        Number of spots. [1]
    grid
        What the controller holds; on a floor only points that lie below it then are looked for.
    wanted
        Breakpoints and target; None takes the car's own.
    rng
        Source of randomness.

    Returns
    -------
    pandas.DataFrame
        ``rpm, load, total_pct``, in the order in which they were found.
    """
    axes, target = wanted or (engine.car.axes, engine.car.target)
    rpm, load = engine.operating_points()
    rpm = np.round(rpm / SPEED_STEP) * SPEED_STEP
    step = float(np.ptp(load)) / LOAD_STEPS
    load = np.round(np.round(load / step) * step, 1)
    aimed = bilinear_weights(axes, rpm, load) @ np.nan_to_num(target.table).ravel()
    miss, need = (
        100.0 * (engine.true_lambda(rpm, load, held) / np.where(aimed > 0, aimed, np.nan) - 1.0)
        for held in (grid, None)
    )
    # above a floor nobody turns anything down
    is_met = miss < -STEP_PCT if target.kind == "floor" else np.isfinite(miss)
    able = np.flatnonzero(is_met)
    chosen = rng.choice(able, min(count, len(able)), replace=False)
    if engine.acts_on == "boost":
        need = 100.0 * (100.0 / (100.0 + need) - 1.0)
    found = need[chosen] + rng.normal(0.0, SCATTER_PCT, len(chosen))
    total = np.round(found / STEP_PCT) * STEP_PCT
    return pd.DataFrame({"rpm": rpm[chosen], "load": load[chosen], "total_pct": total})
