"""The other gauges of a car: plausible values that follow speed, load and lambda.

Typical magnitudes for the kind of engine: common practice, no source. The gauges have no effect
on the fuelling.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from tuneassist.grid import Floats
from tuneassist.simulate.cars import Car
from tuneassist.simulate.signals import divider_volts, first_order_lag, ntc_ohm

SENDER_R25_OHM = 1825.0
SENDER_BETA_K = 4300.0
SENDER_PULL_UP_OHM = 1000.0


def coolant_volts(temp_c: Floats) -> Floats:
    """Voltage of the cars' coolant sender: 3.5 V at 20 degC, 0.6 V at 90. [V]"""
    ohm = ntc_ohm(temp_c, r25_ohm=SENDER_R25_OHM, beta_k=SENDER_BETA_K)
    return divider_volts(ohm, pull_up_ohm=SENDER_PULL_UP_OHM)


def gauges(car: Car, state: pd.DataFrame, *, dt_s: float, rng: np.random.Generator) -> pd.DataFrame:
    """Compute the gauges from the state of the engine.

    Parameters
    ----------
    car
        Which engine.
    state
        Columns rpm, load, lambda, coolant_temp_c, is_cut at equal time steps.
    dt_s
        Time step. [s]
    rng
        Random generator of the noise.

    Returns
    -------
    DataFrame
        One column per gauge, internal units, same rows as ``state``.
    """
    rpm, load = state["rpm"].to_numpy(), state["load"].to_numpy()
    least = 0.9 * car.idle_load
    open_share = np.clip((load - least) / (car.highest_load(rpm) - least), 0.0, 1.0)
    pressure = car.manifold_kpa(rpm, load)
    n = len(state)
    columns = {
        "throttle_pct": _throttle(car, open_share, state["is_cut"].to_numpy(), n, rng),
        "manifold_pressure_kpa": pressure + rng.normal(0.0, 0.4, n),
        "intake_temp_c": first_order_lag(24.0 + 0.16 * (pressure - 90.0), tau_s=20.0, dt_s=dt_s)
        + rng.normal(0.0, 0.2, n),
        "exhaust_temp_c": _exhaust(car, state, open_share, dt_s) + rng.normal(0.0, 1.5, n),
        "torque_nm": _torque(car, rpm, load) + rng.normal(0.0, 1.0, n),
        "coolant_volts": coolant_volts(state["coolant_temp_c"].to_numpy()),
    }
    if car.ignition == "spark":
        flow_share = car.air_g_s(rpm, load) / state["lambda"].clip(lower=0.6).to_numpy()
        columns["injector_duty_pct"] = 2.0 + 0.44 * flow_share * (~state["is_cut"].to_numpy())
    else:
        columns["rail_pressure_kpa"] = 28_000 + 1_500 * load + 12.0 * rpm + rng.normal(0, 300, n)
    return pd.DataFrame(columns)


def _throttle(
    car: Car, open_share: Floats, is_cut: np.ndarray, n: int, rng: np.random.Generator
) -> Floats:
    opening = 4.0 + 96.0 * open_share ** (1.6 if car.ignition == "spark" else 1.0)
    noisy = opening + rng.normal(0.0, 0.15, n)
    return np.where(is_cut, 0.0, np.clip(noisy, 0.0, 100.0))


def _exhaust(car: Car, state: pd.DataFrame, open_share: Floats, dt_s: float) -> Floats:
    lam = state["lambda"].to_numpy()
    revs = state["rpm"].to_numpy() / car.highest_rpm
    if car.ignition == "spark":
        rich = np.clip(1.0 - lam, 0.0, 0.4)
        burning = 430.0 + 300.0 * revs + 230.0 * open_share - 500.0 * rich
    else:
        burning = 140.0 + 560.0 / np.clip(lam, 0.9, 6.0) + 110.0 * revs
    settled = np.where(state["is_cut"].to_numpy(), 260.0, burning)
    return first_order_lag(settled, tau_s=4.0, dt_s=dt_s)


def _torque(car: Car, rpm: Floats, load: Floats) -> Floats:
    if car.ignition == "spark":
        breathing = 1.0 - 0.12 * ((rpm - 3600.0) / 3600.0) ** 2
        return np.asarray(1.62 * (load - 22.0) * breathing, dtype=float)
    return np.asarray(5.9 * load - 12.0 - 0.006 * rpm, dtype=float)
