"""The physics of the measurement chain, as functions on whole columns.

All of them are linear or closed form, so that no loop over samples is needed: lags, correlated
noise and the wall film are recursions run by `scipy.signal.lfilter`.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from tuneassist.grid import Floats

ZERO_CELSIUS_K = 273.15
AIR_GAS_CONSTANT = 287.05  # J/(kg K), dry air


def first_order_lag(values: Floats, *, tau_s: float, dt_s: float) -> Floats:
    """Follow a signal with a first-order lag, starting settled at its first value.

    Parameters
    ----------
    values
        The signal at equal time steps, shape (n,).
    tau_s
        Time constant; zero means no lag. [s]
    dt_s
        Time step. [s]

    Returns
    -------
    ndarray
        The lagged signal; a unit step reaches 1 - exp(-k dt/tau) after k steps.
    """
    if tau_s <= 0:
        return values.copy()
    decay = float(np.exp(-dt_s / tau_s))
    out, _ = lfilter([0.0, 1.0 - decay], [1.0, -decay], values, zi=[values[0]])
    return np.asarray(out, dtype=float)


def ar1_noise(n: int, *, rho: float, sd: float, rng: np.random.Generator) -> Floats:
    """Draw stationary first-order autoregressive noise.

    Parameters
    ----------
    n
        Number of values.
    rho
        Autocorrelation of neighbouring values. [1]
    sd
        Standard deviation of a single value. [unit of the result]
    rng
        Source of randomness.

    Returns
    -------
    ndarray
        Shape (n,), stationary from the first value on.
    """
    shocks = rng.standard_normal(n) * np.sqrt(1.0 - rho**2)
    out, _ = lfilter([1.0], [1.0, -rho], shocks, zi=[rho * rng.standard_normal()])
    return np.asarray(sd * out, dtype=float)


def cylinder_fuel(
    injected: Floats, *, wetting: float, evaporation_s: float, dt_s: float
) -> tuple[Floats, Floats]:
    """Pass injected fuel over the wetted wall of the inlet port.

    The two-parameter film model: a share ``wetting`` of the injected fuel lands on the wall, and
    the film evaporates with time constant ``evaporation_s``. Stepped exactly for a rate that is
    constant inside a step, so that fuel is conserved to rounding.

    Parameters
    ----------
    injected
        Injected fuel rate at equal time steps, shape (n,). [any mass unit per s]
    wetting
        Share that lands on the wall. [1]
    evaporation_s
        Time constant of the film. [s]
    dt_s
        Time step. [s]

    Returns
    -------
    reaching, film
        Fuel rate that reaches the cylinder and the film's mass after each step, each (n,).
    """
    decay = float(np.exp(-dt_s / evaporation_s))
    gain = wetting * evaporation_s
    at_rest = gain * injected[0]
    film, _ = lfilter([gain * (1.0 - decay)], [1.0, -decay], injected, zi=[decay * at_rest])
    film = np.asarray(film, dtype=float)
    before = np.concatenate([[at_rest], film[:-1]])
    return injected - (film - before) / dt_s, film


def gas_delay_s(
    rpm: Floats, flow_g_s: Floats, *, volume_l: float, gas_k: float = 900.0, gas_kpa: float = 105.0
) -> Floats:
    """Time from the inlet valve to the sensor.

    The intake-to-exhaust delay of a four-stroke cylinder, 90/N s, and plug flow through the
    exhaust volume ahead of the sensor, density x volume / mass flow.

    Parameters
    ----------
    rpm
        Engine speed, shape (n,). [rpm]
    flow_g_s
        Exhaust mass flow, shape (n,). [g/s]
    volume_l
        Exhaust volume ahead of the sensor. [l]
    gas_k, gas_kpa
        State of the exhaust gas. [K], [kPa absolute]

    Returns
    -------
    ndarray
        Delay of each moment's gas, shape (n,). [s]

    Examples
    --------
    >>> gas_delay_s(np.array([2000.0]), np.array([20.0]), volume_l=1.0).round(4)
    array([0.0653])
    """
    density_g_l = 1000.0 * gas_kpa / (AIR_GAS_CONSTANT * gas_k)
    return np.asarray(90.0 / rpm + density_g_l * volume_l / flow_g_s, dtype=float)


def arrive_late(time_s: Floats, values: Floats, delay_s: Floats) -> Floats:
    """Delay each value by its own time; the first value holds until then.

    Later gas cannot overtake, so that arrival times never fall.
    """
    arrival_s = np.maximum.accumulate(time_s + delay_s)
    return np.asarray(np.interp(time_s, arrival_s, values), dtype=float)


def ntc_ohm(temp_c: Floats, *, r25_ohm: float = 10_000.0, beta_k: float = 3431.42) -> Floats:
    """Resistance of a thermistor by the Beta equation, which falls as it warms. [ohm]"""
    kelvin = np.asarray(temp_c, dtype=float) + ZERO_CELSIUS_K
    return np.asarray(r25_ohm * np.exp(beta_k * (1.0 / kelvin - 1.0 / 298.15)), dtype=float)


def divider_volts(ohm: Floats, *, pull_up_ohm: float = 2200.0, supply_v: float = 5.0) -> Floats:
    """Voltage over a sender that a resistor pulls up to the supply. [V]"""
    return np.asarray(supply_v * ohm / (ohm + pull_up_ohm), dtype=float)
