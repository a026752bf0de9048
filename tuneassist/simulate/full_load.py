"""Simulated full-load runs with known truth: pulls, stabs and pedal steps on a roller.

Speed follows from torque and inertia on an inertia roller, t = I int dw/T, or rises at a fixed
rate on a braked one; both in closed form on whole columns. The figures of the two diesels are
typical values: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.integrate import cumulative_trapezoid
from scipy.interpolate import PchipInterpolator
from scipy.signal import cont2discrete, lfilter

from tuneassist.grid import Floats
from tuneassist.simulate.signals import ar1_noise, first_order_lag

IDLE_RPM, REST_PEDAL = 850.0, 12.0


@dataclass(frozen=True)
class TorqueCurve:
    """Full-load torque in standard air.

    Parameters
    ----------
    rpm, torque_nm
        Points that the curve goes through, rising speeds. [rpm], [N.m]
    dip_rpm, dip_pct, dip_width_rpm
        A dip added to it: speed, depth and standard deviation. [rpm], [%], [rpm]
    """

    rpm: tuple[float, ...]
    torque_nm: tuple[float, ...]
    dip_rpm: float = 0.0
    dip_pct: float = 0.0
    dip_width_rpm: float = 120.0

    def torque(self, rpm: Floats) -> Floats:
        """Torque at a speed. [N.m]"""
        held = np.clip(rpm, self.rpm[0], self.rpm[-1])
        smooth = PchipInterpolator(self.rpm, self.torque_nm)(held)
        dip = np.exp(-0.5 * ((rpm - self.dip_rpm) / self.dip_width_rpm) ** 2)
        return np.asarray(smooth * (1.0 - self.dip_pct / 100.0 * dip))

    def peak_torque(self) -> tuple[float, float]:
        """Highest torque and its speed. [N.m], [rpm]"""
        rpm = np.linspace(self.rpm[0], self.rpm[-1], 20_001)
        torque = self.torque(rpm)
        return float(torque.max()), float(rpm[torque.argmax()])

    def peak_power(self) -> tuple[float, float]:
        """Highest power and its speed. [kW], [rpm]"""
        rpm = np.linspace(self.rpm[0], self.rpm[-1], 20_001)
        power = self.torque(rpm) * rpm * np.pi / 30_000.0
        return float(power.max()), float(rpm[power.argmax()])

    def scaled(self, pct: float) -> TorqueCurve:
        """Return the curve with all torque changed by ``pct``. [%]"""
        torque = tuple(t * (1.0 + pct / 100.0) for t in self.torque_nm)
        return TorqueCurve(self.rpm, torque, self.dip_rpm, self.dip_pct, self.dip_width_rpm)


def stock_diesel() -> TorqueCurve:
    """A turbo-diesel of 110 kW and 300 N.m (common practice, no source)."""
    return TorqueCurve(
        (1000, 1300, 1600, 2000, 2600, 3200, 3700, 4000, 4300),
        (170, 232, 286, 300, 300, 294, 280.5, 261, 225),
    )


def tuned_diesel() -> TorqueCurve:
    """The same size tuned: 152 kW and just under 600 N.m (common practice, no source)."""
    return TorqueCurve(
        (1000, 1300, 1600, 1900, 2200, 2600, 3000, 3400, 3800, 4300),
        (200, 340, 520, 596, 580, 528, 472, 425, 378.8, 300),
    )


@dataclass(frozen=True)
class FullLoadPlan:
    """What is driven, and how it is logged.

    Parameters
    ----------
    pulls, stabs, part_load
        Number of each; part-load runs go through the same speeds. [1]
    rpm_from, rpm_to
        Speeds of the pulls. [rpm]
    rate_hz
        Samples per second. [Hz]
    inertia_kg_m2
        Inertia seen from the crankshaft; None: a brake lets speed rise at ``ramp_rpm_s``.
    ramp_rpm_s
        Rise of speed on a braked roller. [rpm/s]
    noise_nm, noise_rho
        Noise of a torque sample, and its lag-1 correlation. [N.m], [1]
    rpm_noise
        Noise of a speed sample. [rpm]
    repeat_pct
        Standard deviation from pull to pull (heat, tyres). [%]
    air_loss
        Factor of the air: the delivered torque is the curve divided by this. [1]
    barometer_kpa, air_temp_c
        Ambient air as logged. [kPa], [degC]
    ripple_pct, ripple_rpm
        Torque ripple over speed: amplitude and period. [%], [rpm]
    logs
        "torque", "power", "both" or "neither".
    boost_kpa, exhaust_c, lambda_at_low
        Highest boost (gauge), exhaust temperature at the top, lambda at the bottom of a pull.
    """

    pulls: int = 3
    stabs: int = 1
    part_load: int = 1
    rpm_from: float = 1200.0
    rpm_to: float = 4200.0
    rate_hz: float = 20.0
    inertia_kg_m2: float | None = None
    ramp_rpm_s: float = 300.0
    noise_nm: float = 3.0
    noise_rho: float = 0.0
    rpm_noise: float = 3.0
    repeat_pct: float = 0.5
    air_loss: float = 1.0
    barometer_kpa: float = 99.0
    air_temp_c: float = 24.85
    ripple_pct: float = 0.0
    ripple_rpm: float = 60.0
    logs: str = "torque"
    boost_kpa: float = 120.0
    exhaust_c: float = 680.0
    lambda_at_low: float = 1.25


@dataclass(frozen=True, eq=False)
class FullLoadLog:
    """A simulated log with its truth.

    Parameters
    ----------
    name
        "simulated" and more.
    samples
        Columns as in `tuneassist.channels`.
    truth
        One row per sample: ``part`` (phase of the session) and ``pull`` (1, 2, ..; 0 outside).
    curve, plan
        Inputs of the simulation.
    """

    name: str
    samples: pd.DataFrame
    truth: pd.DataFrame
    curve: TorqueCurve
    plan: FullLoadPlan


def simulate_full_load(
    curve: TorqueCurve, plan: FullLoadPlan, *, rng: np.random.Generator, name: str = "simulated"
) -> FullLoadLog:
    """Simulate a session on a roller: pulls with cruising in between, stabs, part-load runs.

    Parameters
    ----------
    curve
        Torque in standard air.
    plan
        What is driven and logged.
    rng
        Random generator of the noise.
    name
        Name of the log.

    Returns
    -------
    FullLoadLog
        Simulated samples with their truth.
    """
    parts = []
    for number in range(1, plan.pulls + 1):
        parts += [_cruise(plan, 4.0), _pull(curve, plan, number, rng), _coast(plan)]
    parts += [part for _ in range(plan.stabs) for part in (_cruise(plan, 3.0), _stab(plan))]
    parts += [part for _ in range(plan.part_load) for part in (_cruise(plan, 2.0), _slow(plan))]
    parts.append(_cruise(plan, 2.0))
    state = pd.concat(parts, ignore_index=True)
    samples = _logged(state, curve, plan, rng)
    return FullLoadLog(name, samples, state[["part", "pull"]], curve, plan)


def _part(
    name: str, rpm: Floats, pedal: Floats, *, pull: int = 0, shift: float = 0.0
) -> pd.DataFrame:
    return pd.DataFrame({"part": name, "pull": pull, "rpm": rpm, "pedal": pedal, "shift": shift})


def _cruise(plan: FullLoadPlan, length_s: float) -> pd.DataFrame:
    n = max(int(length_s * plan.rate_hz), 2)
    return _part("cruise", np.full(n, plan.rpm_from), np.full(n, REST_PEDAL))


def _pull(
    curve: TorqueCurve, plan: FullLoadPlan, number: int, rng: np.random.Generator
) -> pd.DataFrame:
    """Wide open against the brake for a second, then the run up."""
    shift = float(rng.normal(0.0, plan.repeat_pct / 100.0))
    speeds = np.linspace(plan.rpm_from, plan.rpm_to, 2000)
    if plan.inertia_kg_m2 is None:
        time = (speeds - plan.rpm_from) / plan.ramp_rpm_s
    else:
        torque = curve.torque(speeds) * (1.0 + shift) / plan.air_loss
        omega = speeds * np.pi / 30.0
        time = plan.inertia_kg_m2 * cumulative_trapezoid(1.0 / torque, omega, initial=0.0)
    wait = 1.0 if plan.inertia_kg_m2 is None else 0.0
    at = np.arange(0.0, time[-1] + wait, 1.0 / plan.rate_hz)
    rpm = np.interp(at - wait, time, speeds)
    return _part("pull", rpm, np.full(len(rpm), 100.0), pull=number, shift=shift)


def _coast(plan: FullLoadPlan) -> pd.DataFrame:
    n = int(5.0 * plan.rate_hz)
    return _part("coast", np.linspace(plan.rpm_to, plan.rpm_from, n), np.zeros(n))


def _stab(plan: FullLoadPlan) -> pd.DataFrame:
    """Full pedal for less than a second."""
    n = int(0.8 * plan.rate_hz)
    return _part("stab", np.linspace(plan.rpm_from, plan.rpm_from + 400.0, n), np.full(n, 100.0))


def _slow(plan: FullLoadPlan) -> pd.DataFrame:
    n = int(10.0 * plan.rate_hz)
    rpm = np.linspace(plan.rpm_from, plan.rpm_to, n)
    return _part("part load", rpm, np.full(n, 45.0))


def _logged(
    state: pd.DataFrame, curve: TorqueCurve, plan: FullLoadPlan, rng: np.random.Generator
) -> pd.DataFrame:
    """Convert the state into logged channels."""
    n, rpm = len(state), state["rpm"].to_numpy()
    share = np.clip((state["pedal"].to_numpy() - 5.0) / 95.0, 0.0, 1.0)
    ripple = 1.0 + plan.ripple_pct / 100.0 * np.sin(2.0 * np.pi * rpm / plan.ripple_rpm)
    full = curve.torque(rpm) * (1.0 + state["shift"].to_numpy()) * ripple / plan.air_loss
    torque = share * full + ar1_noise(n, rho=plan.noise_rho, sd=plan.noise_nm, rng=rng)
    revs = np.clip((rpm - plan.rpm_from) / (plan.rpm_to - plan.rpm_from), 0.0, 1.0)
    load = 25.0 + 55.0 * share * curve.torque(rpm) / curve.peak_torque()[0]
    columns = {
        "time_s": np.arange(n) / plan.rate_hz,
        "rpm": rpm + rng.normal(0.0, plan.rpm_noise, n),
        "pedal_pct": state["pedal"].to_numpy() + rng.normal(0.0, 0.3, n),
        "load": load + rng.normal(0.0, 0.3, n),
        "boost_kpa": plan.boost_kpa * share * np.sin(np.pi * (0.3 + 0.5 * revs)),
        "exhaust_temp_c": plan.exhaust_c - 220.0 * (1.0 - revs * share),
        "lambda": plan.lambda_at_low + 0.2 * revs + 2.0 * (1.0 - share),
        "barometer_kpa": np.full(n, plan.barometer_kpa),
        "intake_temp_c": np.full(n, plan.air_temp_c),
    }
    if plan.logs in ("torque", "both"):
        columns["torque_nm"] = torque
    if plan.logs in ("power", "both"):
        columns["power_kw"] = torque * rpm * np.pi / 30_000.0
    return pd.DataFrame(columns).assign(row=np.arange(2, n + 2))


@dataclass(frozen=True)
class TipInPlan:
    """Pedal steps at constant speed.

    Parameters
    ----------
    steps
        Number of steps. [1]
    rpm
        Speed that the brake holds. [rpm]
    pedal
        From and to. [%]
    torque_nm
        Torque before and, settled, after. [N.m]
    dead_s
        Dead time before torque begins to respond. [s]
    tau_s
        Time constant of a first-order response, used where ``damping`` is None. [s]
    frequency_rad_s, damping
        Natural frequency and damping ratio of a second-order response. [rad/s], [1]
    rate_hz, noise_nm
        Logger and its noise. [Hz], [N.m]
    """

    steps: int = 4
    rpm: float = 2000.0
    pedal: tuple[float, float] = (15.0, 70.0)
    torque_nm: tuple[float, float] = (40.0, 240.0)
    dead_s: float = 0.15
    tau_s: float = 0.3
    frequency_rad_s: float = 8.0
    damping: float | None = None
    rate_hz: float = 50.0
    noise_nm: float = 0.5


def simulate_tip_ins(
    plan: TipInPlan, *, rng: np.random.Generator, name: str = "simulated tip-ins"
) -> FullLoadLog:
    """Simulate pedal steps with a known response.

    Parameters
    ----------
    plan
        Steps and the response to them.
    rng
        Random generator of the noise.
    name
        Name of the log.

    Returns
    -------
    FullLoadLog
        Samples with time, speed, pedal and torque; truth marks the samples after each step.
    """
    dt = 1.0 / plan.rate_hz
    on_s, off_s = 5.0, 5.0
    n = int(plan.steps * (on_s + off_s) * plan.rate_hz)
    time = np.arange(n) * dt
    is_on = (time % (on_s + off_s)) >= off_s
    delayed = np.interp(time - plan.dead_s, time, is_on.astype(float), left=0.0)
    response = _second_order(delayed, plan, dt) if plan.damping else first_order_lag(
        delayed, tau_s=plan.tau_s, dt_s=dt)  # fmt: skip
    low, high = plan.torque_nm
    samples = pd.DataFrame(
        {
            "time_s": time,
            "rpm": plan.rpm + rng.normal(0.0, 2.0, n),
            "pedal_pct": np.where(is_on, plan.pedal[1], plan.pedal[0]) + rng.normal(0.0, 0.1, n),
            "torque_nm": low + (high - low) * response + rng.normal(0.0, plan.noise_nm, n),
            "row": np.arange(2, n + 2),
        }
    )
    truth = pd.DataFrame({"part": np.where(is_on, "after a step", "rest"), "pull": 0})
    flat = TorqueCurve((IDLE_RPM, 4000.0), (high, high))
    return FullLoadLog(name, samples, truth, flat, FullLoadPlan(rate_hz=plan.rate_hz))


def _second_order(pushed: Floats, plan: TipInPlan, dt: float) -> Floats:
    """Response of w^2 / (s^2 + 2 z w s + w^2) with zero-order hold."""
    w, z = plan.frequency_rad_s, float(plan.damping or 1.0)
    above, below, _ = cont2discrete(([w**2], [1.0, 2.0 * z * w, w**2]), dt)
    return np.asarray(lfilter(np.ravel(above), below, pushed))
