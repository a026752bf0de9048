"""Full-load pulls of the simulated cars, with any grid in the controller.

Speed rises on a braked roller while the pedal is at its stop. Load is the highest that the engine
reaches; mixture and torque follow from the same truth as in the sessions. Magnitudes: common
practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tuneassist.grid import Floats, Grid
from tuneassist.simulate.engine import TrueEngine
from tuneassist.simulate.gauges import gauges
from tuneassist.simulate.route import SessionPlan
from tuneassist.simulate.session import HOT_C, Session

BEST_TORQUE_LAMBDA, TORQUE_LOSS = 0.88, 1.1
"""Mixture at which a spark engine has most torque, and what is lost with its square from there."""
CLEAN_LAMBDA, SMOKE_LOSS = 1.2, 0.8
"""Below this mixture a part of a diesel's fuel makes smoke and no torque; share per lambda."""
CRUISE_SHARE = 0.35
"""Load between the pulls, as a share of the highest. [1]"""
AIR_KPA, AIR_C = 99.0, 25.0
"""Air in the room. [kPa], [degC]"""


@dataclass(frozen=True)
class PullPlan:
    """What is driven.

    Parameters
    ----------
    pulls
        Number of pulls. [1]
    ramp_rpm_s
        Rise of speed. [rpm/s]
    cruise_s, back_s
        Time at low speed before each pull, and back down after it. [s]
    rate_hz
        Samples per second. [Hz]
    repeat_pct
        Standard deviation of torque from pull to pull (heat, tyres). [%]
    """

    pulls: int = 6
    ramp_rpm_s: float = 400.0
    cruise_s: float = 6.0
    back_s: float = 5.0
    rate_hz: float = 20.0
    repeat_pct: float = 0.4


def simulate_pulls(
    engine: TrueEngine,
    plan: PullPlan | None = None,
    *,
    grid: Grid | None = None,
    rng: np.random.Generator,
) -> Session:
    """Pull the engine from low to high speed at full load, and log it.

    Parameters
    ----------
    engine
        The truth.
    plan
        What is driven; None takes the defaults.
    grid
        Correction grid in the controller; None is all zeros.
    rng
        Source of randomness.

    Returns
    -------
    Session
        Without holds.
    """
    plan = PullPlan() if plan is None else plan
    state = pd.concat([_one(engine, plan, rng) for _ in range(plan.pulls)], ignore_index=True)
    rpm, load = (state[name].to_numpy() for name in ("rpm", "load"))
    state["lambda"] = engine.true_lambda(rpm, load, grid)
    samples = _logged(engine, plan, state, grid, rng)
    return Session(samples, pd.DataFrame(), engine, SessionPlan(rate_hz=plan.rate_hz), grid)


def _one(engine: TrueEngine, plan: PullPlan, rng: np.random.Generator) -> pd.DataFrame:
    """Cruise, pull and the way back as true states."""
    car, dt_s = engine.car, 1.0 / plan.rate_hz
    low, high = car.max_load_rpm[1], car.highest_rpm
    rise = np.arange(low, high, plan.ramp_rpm_s * dt_s)
    counts = [int(plan.cruise_s / dt_s), len(rise), int(plan.back_s / dt_s)]
    is_pull = np.repeat([False, True, False], counts)
    rpm = np.concatenate([np.full(counts[0], low), rise, np.linspace(high, low, counts[2])])
    full = car.highest_load(rpm)
    load = np.where(is_pull, full, np.maximum(CRUISE_SHARE * full, car.lowest_load))
    shift = rng.normal(0.0, plan.repeat_pct / 100.0)
    return pd.DataFrame(
        {
            "rpm": rpm,
            "load": load,
            "is_pull": is_pull,
            "shift": np.where(is_pull, shift, 0.0),
            "is_cut": np.repeat([False, False, True], counts),
            "coolant_temp_c": HOT_C,
        }
    )


def _logged(
    engine: TrueEngine,
    plan: PullPlan,
    state: pd.DataFrame,
    grid: Grid | None,
    rng: np.random.Generator,
) -> pd.DataFrame:
    car, noise, n = engine.car, engine.noise, len(state)
    others = gauges(car, state, dt_s=1.0 / plan.rate_hz, rng=rng)
    is_pull, is_cut = state["is_pull"].to_numpy(), state["is_cut"].to_numpy()
    pedal = np.where(is_pull, 100.0, others["throttle_pct"].clip(upper=60.0))
    torque = others["torque_nm"] * _torque_share(engine, state, grid) * (1.0 + state["shift"])
    read = state["lambda"] * (1.0 + rng.normal(0.0, noise.lambda_pct / 100.0, n))
    main = pd.DataFrame(
        {
            "time_s": np.arange(n) / plan.rate_hz,
            "rpm": state["rpm"] + rng.normal(0.0, noise.rpm_sd, n),
            "load": state["load"] * (1.0 + rng.normal(0.0, noise.load_share, n)),
            "lambda": read.where(~is_cut, np.inf).clip(engine.chain.richest, engine.chain.leanest),
            "coolant_temp_c": state["coolant_temp_c"] + rng.normal(0.0, 0.1, n),
            "barometer_kpa": AIR_KPA,
            "row": np.arange(n) + 2,
        }
    )
    return pd.concat(
        [
            main,
            others.assign(
                throttle_pct=pedal,
                torque_nm=torque.where(~is_cut, -15.0),
                intake_temp_c=AIR_C + rng.normal(0.0, 0.2, n),
            ),
        ],
        axis=1,
    )


def _torque_share(engine: TrueEngine, state: pd.DataFrame, grid: Grid | None) -> Floats:
    """Torque over that of the same load with the mixture at its best. [1]"""
    mixture = state["lambda"].to_numpy()
    if engine.car.ignition == "spark":
        return np.asarray(1.0 - TORQUE_LOSS * (mixture - BEST_TORQUE_LAMBDA) ** 2)
    rpm, load = (state[name].to_numpy() for name in ("rpm", "load"))
    fuel = 1.0 if grid is None else 1.0 + engine.grid_response * grid.at(rpm, load) / 100.0
    smoke = SMOKE_LOSS * np.maximum(CLEAN_LAMBDA - mixture, 0.0)
    return np.asarray(fuel * (1.0 - smoke), dtype=float)
