"""One logged session on the simulated engine, as an ideal reader would return it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tuneassist.grid import Floats, Grid
from tuneassist.simulate.engine import TrueEngine
from tuneassist.simulate.gauges import gauges
from tuneassist.simulate.route import Route, SessionPlan, draw_route
from tuneassist.simulate.signals import ar1_noise, arrive_late, cylinder_fuel, first_order_lag

STEP_S = 0.02  # inner time step: a quarter of the fastest lag
SPEED_TAU_S = 0.25  # inertia of the driveline on the brake
LOAD_TAU_S = 0.15  # filling of the manifold
COLD_C, HOT_C, LUKEWARM_C = 20.0, 90.0, 50.0
RICHER_COLD_PCT = 12.0
RICHER_BELOW_C = 65.0
TRIM_STEP_PCT = 100.0 / 128.0  # SAE J1979 scaling of fuel trims
TRIM_STOP_PCT = 25.0


@dataclass(frozen=True, eq=False)
class Session:
    """A simulated session.

    Parameters
    ----------
    samples
        Columns with internal names and units, plus ``row``.
    holds
        The truth, one row per hold: start_s, end_s, rpm, load, scatter_pct and deviation_pct
        (settled, with the loaded grid, without the scatter).
    engine, plan, grid
        Inputs of the simulation.
    """

    samples: pd.DataFrame
    holds: pd.DataFrame
    engine: TrueEngine
    plan: SessionPlan
    grid: Grid | None


def simulate_session(
    engine: TrueEngine,
    plan: SessionPlan | None = None,
    *,
    grid: Grid | None = None,
    rng: np.random.Generator,
) -> Session:
    """Drive the engine and log it.

    Parameters
    ----------
    engine
        The truth.
    plan
        What is driven and how it is logged; None takes the defaults.
    grid
        Correction grid in the controller; None is all zeros.
    rng
        Source of randomness.

    Returns
    -------
    Session

    Examples
    --------
    >>> from tuneassist.simulate.engine import draw_engine
    >>> rng = np.random.default_rng(1)
    >>> session = simulate_session(draw_engine(rng), SessionPlan(holds=3, warm_up_s=0), rng=rng)
    >>> len(session.holds)
    3
    """
    plan = SessionPlan() if plan is None else plan
    route = draw_route(engine.car, plan, rng)
    state, scatter = _drive(engine, plan, route, grid, rng)
    samples = _log(engine, plan, state, rng)
    return Session(samples, _hold_truth(engine, route, scatter, grid), engine, plan, grid)


def _drive(
    engine: TrueEngine,
    plan: SessionPlan,
    route: Route,
    grid: Grid | None,
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, Floats]:
    """Run the engine on the inner time step; also return the scatter of every leg in percent."""
    state, leg = _motion(engine, plan, route, rng)
    scatter = engine.noise.hold_pct * rng.standard_normal(int(leg.max()) + 1)
    rpm, load = state["rpm"].to_numpy(), state["load"].to_numpy()
    open_loop = engine.true_lambda(rpm, load, grid) * (1.0 + scatter[leg] / 100.0)
    if engine.chain.tail_pct:
        open_loop = open_loop * (1.0 + _tail_pct(engine, load, leg) / 100.0)
    trims = _trims(engine, plan, state, open_loop, grid)
    cold = np.clip((RICHER_BELOW_C - state["coolant_temp_c"].to_numpy()) / 45.0, 0.0, 1.0)
    richer = (
        (1.0 + RICHER_COLD_PCT * cold / 100.0) * (1.0 + trims[0] / 100) * (1.0 + trims[1] / 100)
    )
    phi = np.where(state["is_cut"].to_numpy(), 0.0, richer / open_loop)
    state["lambda"] = open_loop / richer
    state["phi_sensor"] = _measured_phi(engine, state, phi)
    if plan.is_closed_loop:
        state["fuel_trim_short_pct"], state["fuel_trim_long_pct"] = trims
    return state, scatter


def _tail_pct(engine: TrueEngine, load: Floats, leg: np.ndarray) -> Floats:
    """Remaining lambda error since the start of each leg. [%]"""
    start = np.searchsorted(leg, leg)  # legs follow each other
    decay = np.exp(-STEP_S * (np.arange(len(leg)) - start) / engine.chain.tail_s)
    side = np.ones(int(leg.max()) + 1)
    if engine.chain.tail_follows_load:
        count = np.maximum(np.bincount(leg), 1)
        side[1:] = np.sign(np.diff(np.bincount(leg, load) / count))
    return np.asarray(engine.chain.tail_pct * side[leg] * decay)


def _motion(
    engine: TrueEngine, plan: SessionPlan, route: Route, rng: np.random.Generator
) -> tuple[pd.DataFrame, np.ndarray]:
    """True speed, load, fuel cut and coolant over time, and the leg of every moment."""
    knots, noise = route.knots, engine.noise
    time_s = np.arange(0.0, route.end_s, STEP_S)
    at, n = knots["time_s"].to_numpy(), len(time_s)
    before = np.searchsorted(at, time_s, side="right") - 1
    rho = float(np.exp(-STEP_S / noise.wander_tau_s))
    rpm = first_order_lag(np.interp(time_s, at, knots["rpm"]), tau_s=SPEED_TAU_S, dt_s=STEP_S)
    load = first_order_lag(np.interp(time_s, at, knots["load"]), tau_s=LOAD_TAU_S, dt_s=STEP_S)
    is_cut = knots["is_cut"].to_numpy()[before]
    rpm = rpm + ar1_noise(n, rho=rho, sd=noise.wander_rpm, rng=rng)
    load = load * (1.0 + ar1_noise(n, rho=rho, sd=noise.wander_share, rng=rng))
    coolant = _coolant(plan, time_s)
    state = {
        "time_s": time_s,
        "rpm": rpm,
        "load": load,
        "is_cut": is_cut,
        "coolant_temp_c": coolant,
    }
    return pd.DataFrame(state), knots["leg"].to_numpy()[before]


def _coolant(plan: SessionPlan, time_s: Floats) -> Floats:
    if plan.warm_up_s <= 0 and not plan.is_never_warm:
        return np.full(len(time_s), HOT_C)
    end = LUKEWARM_C if plan.is_never_warm else HOT_C
    tau_s = max(plan.warm_up_s, 30.0) / 1.8
    return np.asarray(end - (end - COLD_C) * np.exp(-time_s / tau_s))


def _trims(
    engine: TrueEngine,
    plan: SessionPlan,
    state: pd.DataFrame,
    open_loop: Floats,
    grid: Grid | None,
) -> tuple[Floats, Floats]:
    """Short and long fuel trim over time. [%]"""
    n = len(state)
    if not plan.is_closed_loop:
        return np.zeros(n), np.zeros(n)
    rpm, load = state["rpm"].to_numpy(), state["load"].to_numpy()
    wanted = engine.car.target_lambda(rpm, load)
    is_active = (wanted >= plan.closed_loop_above) & ~state["is_cut"].to_numpy()
    region_rpm = np.round(rpm / 1500.0) * 1500.0
    region_load = np.round(load / 25.0) * 25.0
    long = _quantised(0.7 * engine.true_deviation_pct(region_rpm, region_load, grid))
    required = 100.0 * (open_loop / wanted / (1.0 + long / 100.0) - 1.0)
    slow = first_order_lag(np.where(is_active, required, 0.0), tau_s=1.0, dt_s=STEP_S)
    phase = (0.8 * state["time_s"].to_numpy()) % 1.0
    dither = 1.5 * (4.0 * np.abs(phase - 0.5) - 1.0)
    return np.where(is_active, _quantised(slow + dither), 0.0), long


def _quantised(trim_pct: Floats) -> Floats:
    held = np.clip(trim_pct, -TRIM_STOP_PCT, TRIM_STOP_PCT)
    return np.asarray(np.round(held / TRIM_STEP_PCT) * TRIM_STEP_PCT)


def _measured_phi(engine: TrueEngine, state: pd.DataFrame, phi: Floats) -> Floats:
    """1/lambda at the sensor: wall film, gas transport and sensor lag."""
    rpm, load = state["rpm"].to_numpy(), state["load"].to_numpy()
    air = engine.car.air_g_s(rpm, load)
    burnt = phi
    if engine.wetting > 0:
        reaching, _ = cylinder_fuel(
            air * phi,
            wetting=engine.wetting,
            evaporation_s=engine.evaporation_s,
            dt_s=STEP_S,
        )
        burnt = reaching / air
    delayed = arrive_late(state["time_s"].to_numpy(), burnt, engine.delay_s(rpm, load))
    return first_order_lag(delayed, tau_s=engine.chain.sensor_tau_s, dt_s=STEP_S)


def _log(
    engine: TrueEngine, plan: SessionPlan, state: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Sample the gauges at the logger's times."""
    time_s = _logged_times(plan, float(state["time_s"].iloc[-1]), rng)
    inner = state["time_s"].to_numpy()
    nearest = np.clip(np.round(time_s / STEP_S).astype(int), 0, len(inner) - 1)
    seen = state.iloc[nearest].reset_index(drop=True)
    others = gauges(engine.car, seen, dt_s=1.0 / plan.rate_hz, rng=rng)
    noise, n = engine.noise, len(seen)
    samples = pd.DataFrame(
        {
            "time_s": np.floor(time_s / plan.stamp_s) * plan.stamp_s,
            "rpm": seen["rpm"] + rng.normal(0.0, noise.rpm_sd, n),
            "load": seen["load"] * (1.0 + rng.normal(0.0, noise.load_share, n)),
            "lambda": _logged_lambda(engine, plan, seen, rng),
            "coolant_temp_c": seen["coolant_temp_c"] + rng.normal(0.0, 0.1, n),
        }
    )
    samples = pd.concat([samples, others], axis=1)
    for name in ("fuel_trim_short_pct", "fuel_trim_long_pct"):
        if name in seen:
            samples[name] = seen[name]
    if plan.is_polled:
        samples = _polled(samples)
    samples["row"] = np.arange(len(samples)) + 2
    return samples


def _logged_times(plan: SessionPlan, end_s: float, rng: np.random.Generator) -> Floats:
    n = int(end_s * plan.rate_hz)
    jitter = np.clip(rng.normal(0.0, plan.jitter_s, n), -0.4 / plan.rate_hz, 0.4 / plan.rate_hz)
    time_s = np.maximum(np.arange(n) / plan.rate_hz + jitter, 0.0)
    is_logged = np.ones(n, dtype=bool)
    for start in rng.uniform(0.1, 0.95, plan.gaps) * end_s:
        is_logged &= ~((time_s > start) & (time_s < start + rng.uniform(3.0, 15.0)))
    return np.asarray(time_s[is_logged])


def _logged_lambda(
    engine: TrueEngine, plan: SessionPlan, seen: pd.DataFrame, rng: np.random.Generator
) -> Floats:
    chain, noise, n = engine.chain, engine.noise, len(seen)
    rho = float(np.exp(-1.0 / (plan.rate_hz * noise.lambda_tau_s)))
    jitter = ar1_noise(n, rho=rho, sd=noise.lambda_pct / 100.0, rng=rng)
    ratio = (1.0 + chain.offset_pct / 100.0) * (1.0 + jitter)
    value = ratio / np.maximum(seen["phi_sensor"].to_numpy(), 1e-3)
    is_spike = rng.uniform(size=n) < plan.spike_share
    size = rng.choice([-1.0, 1.0], n) * rng.uniform(0.1, 0.35, n)
    value = np.where(is_spike, value * (1.0 + size), value)
    return np.asarray(np.clip(value, chain.richest, chain.leanest))


def _polled(samples: pd.DataFrame) -> pd.DataFrame:
    """Refresh one channel per row in turn; the others repeat their old value."""
    names = [name for name in samples.columns if name != "time_s"]
    rows = np.arange(len(samples))
    out = {"time_s": samples["time_s"].to_numpy()}
    for turn, name in enumerate(names):
        refreshed = np.maximum(rows - (rows - turn) % len(names), 0)
        out[name] = samples[name].to_numpy()[refreshed]
    return pd.DataFrame(out)


def _hold_truth(
    engine: TrueEngine, route: Route, scatter: Floats, grid: Grid | None
) -> pd.DataFrame:
    truth = route.holds.copy()
    truth["scatter_pct"] = scatter[truth["leg"].to_numpy()]
    truth["deviation_pct"] = engine.true_deviation_pct(
        truth["rpm"].to_numpy(), truth["load"].to_numpy(), grid
    )
    return truth.drop(columns="leg")


def without_channels(session: Session, *names: str) -> Session:
    """Return the session without these columns."""
    return replace(session, samples=session.samples.drop(columns=list(names)))
