"""Breakpoints where a log was, and a cautious target: what a new setup starts from."""

from __future__ import annotations

import numpy as np

from tuneassist.correction.cell_readings import axis_pressure_kpa
from tuneassist.grid import Axes, Floats
from tuneassist.settings import Ignition
from tuneassist.units import ATMOSPHERE_KPA, convert, find_unit, unit_named, units_of

RUNNING_RPM = 300.0
"""Below this the starter turns the engine. [rpm]"""
MOST_RPM, MOST_LOAD = 14, 12
"""Most breakpoints of a new axis: as many as a session of an hour can hold points for. [1]"""
ENDS_PCT = (0.5, 99.5)
"""The axis covers the log between these shares of its samples, so that spikes do not widen it.
[%]"""
STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
"""Distances between breakpoints, times a power of ten: numbers that are easy to type. [1]"""
ON_AXIS = 0.8
"""A unit puts a log on a grid's axis when so many of the samples lie inside. [1]"""
SPARK_KPA = (70.0, 90.0, 100.0, 105.0, 160.0, 200.0)
SPARK_LAMBDA = (1.0, 0.94, 0.90, 0.88, 0.82, 0.78)
"""Cautious target of a spark engine over absolute manifold pressure: stoichiometric at light load,
and rich before boost begins, since lean mixtures at load are hot and knock. Common practice, no
source. [kPa], [lambda]"""
SPARK_SHARE, SPARK_SHARE_LAMBDA = (0.5, 0.75, 1.0), (1.0, 0.90, 0.80)
"""The same over the share of the axis, where it is no pressure. [1], [lambda]"""
SMOKE_FLOOR = 1.30
"""Cautious target of a compression engine, as a floor: no visible smoke and moderate exhaust heat.
Common practice, no source. [lambda]"""


def axis_of(values: Floats, *, most: int, lowest: float = -np.inf) -> Floats | None:
    """Return rounded breakpoints over where a log was.

    Parameters
    ----------
    values
        Readings, finite.
    most
        Most breakpoints.
    lowest
        No breakpoint is below this.

    Returns
    -------
    numpy.ndarray or None
        Evenly spaced and rising; None where the readings do not spread.

    Examples
    --------
    >>> axis_of(np.array([31.0, 90.0, 178.0]), most=12).tolist()
    [20.0, 40.0, 60.0, 80.0, 100.0, 120.0, 140.0, 160.0, 180.0]
    """
    if len(values) < 2:
        return None
    low, high = (float(q) for q in np.percentile(values, ENDS_PCT))
    span = high - low
    if not np.isfinite(span) or span <= 1e-6 * max(1.0, abs(high)):
        return None
    power = 10.0 ** np.floor(np.log10(span / most))
    for step in (power * size for size in (*STEPS, *(10 * size for size in STEPS))):
        first, last = np.floor(low / step), np.ceil(high / step)
        first = max(first, np.ceil(lowest / step)) if np.isfinite(lowest) else first
        if 2 <= last - first + 1 <= most:
            return np.array([float(f"{n * step:.9g}") for n in np.arange(first, last + 1)])
    return None


def lowest_load(load_unit: str) -> float:
    """Return the lowest value that a load axis can have in a unit."""
    reading = find_unit(load_unit)
    if reading is None or unit_named(reading.word).quantity != "pressure":
        return 0.0
    if reading.reference != "gauge":
        return 0.0
    return float(convert(-ATMOSPHERE_KPA, "kPa", reading.word))


def units_on_axis(values: Floats, unit: str, is_gauge: bool, points: Floats) -> tuple[str, ...]:
    """Return the units in which a grid's load axis holds where the log was.

    Parameters
    ----------
    values
        Load as logged.
    unit, is_gauge
        Its unit, and whether it counts from the barometer.
    points
        The grid's load breakpoints.
    """
    quantity = unit_named(unit).quantity
    if quantity == "mixture":  # its units do not convert without a fuel, and it is no load
        return ()
    if quantity != "pressure":
        choices = {word: convert(values, unit, word) for word in units_of(quantity)}
    else:
        absolute = convert(values, unit, "kPa") + (ATMOSPHERE_KPA if is_gauge else 0.0)
        distinct = {unit_named(word).factor: word for word in reversed(units_of(quantity))}
        words = list(reversed(list(distinct.values())))
        choices = {word: convert(absolute, "kPa", word) for word in words}
        gauge = absolute - ATMOSPHERE_KPA
        choices |= {f"{word} gauge": convert(gauge, "kPa", word) for word in words}
    return tuple(
        word
        for word, read in choices.items()
        if (points[0] >= 0 or quantity != "pressure" or word.endswith(" gauge"))
        and len(read)
        and np.mean((read >= points[0]) & (read <= points[-1])) >= ON_AXIS
    )


def cautious_target(axes: Axes, ignition: Ignition) -> Floats:
    """Return a cautious target at every breakpoint. [lambda]"""
    if ignition == "compression":
        return np.full(axes.shape, SMOKE_FLOOR)
    pressure = axis_pressure_kpa(axes, np.full(axes.size, ATMOSPHERE_KPA))
    if pressure is not None:
        return np.interp(pressure, SPARK_KPA, SPARK_LAMBDA).round(3).reshape(axes.shape)
    share = axes.load / axes.load[-1] if axes.load[-1] > 0 else np.ones(len(axes.load))
    row = np.interp(share, SPARK_SHARE, SPARK_SHARE_LAMBDA).round(3)
    return np.tile(row, (len(axes.rpm), 1))
