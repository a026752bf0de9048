"""Boost, pressure and highest readings of the cells, and of the eight cells around each."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import ndimage

from tuneassist.channels import is_gauge_axis
from tuneassist.correction.raw_step import Flags
from tuneassist.grid import Axes, Floats
from tuneassist.settings import CEILING_CHANNELS, LimitSettings
from tuneassist.units import UNITS, convert, find_unit

EIGHT = np.ones((3, 3), dtype=bool)


def column_or(cells: pd.DataFrame, name: str, default: float) -> Floats:
    """A column's values, ``default`` where it is absent or not finite."""
    if name not in cells:
        return np.full(len(cells), default)
    values = cells[name].to_numpy(dtype=float)
    return np.where(np.isfinite(values), values, default)


def axis_pressure_kpa(axes: Axes, barometer: Floats) -> Floats | None:
    """Absolute pressure of every cell where the load axis is a pressure, else None. [kPa]

    An axis whose unit, or else its name, says "gauge" is relative to the barometer.
    """
    unit = find_unit(axes.load_unit)
    if unit is None or UNITS[unit.word].quantity != "pressure":
        return None
    base = barometer if is_gauge_axis(axes) else 0.0
    return np.asarray(convert(axes.cell_load(), unit.word, "kPa") + base)


def highest_pressure(cells: pd.DataFrame, axes: Axes, barometer: Floats) -> Floats:
    """Highest absolute manifold pressure by load axis and log; nan unknown. [kPa]"""
    nothing = np.full(len(cells), -np.inf)
    axis = axis_pressure_kpa(axes, barometer)
    logged = column_or(cells, "manifold_pressure_kpa", -np.inf)
    gauge = column_or(cells, "boost_kpa_max", -np.inf) + barometer
    highest = np.max([nothing if axis is None else axis, logged, gauge], axis=0)
    return np.where(np.isfinite(highest), highest, np.nan)


def in_boost(cells: pd.DataFrame, axes: Axes, limits: LimitSettings) -> Flags:
    """Return which cells are in boost, by the load axis, else by the log; unknown counts.

    Parameters
    ----------
    cells
        With ``manifold_pressure_kpa`` where it was logged.
    axes, limits
        Breakpoints, and from where on the engine is in boost.
    """
    standard = np.full(len(cells), limits.barometer_kpa)
    axis = axis_pressure_kpa(axes, standard)
    above = np.zeros(len(cells), dtype=bool)
    if limits.boost_above_load is not None:
        above = axes.cell_load() > limits.boost_above_load
    if axis is not None:
        return np.asarray(above | (axis > limits.boost_above_kpa))
    if limits.boost_above_load is not None:
        return above
    logged = column_or(cells, "manifold_pressure_kpa", np.nan)
    return ~(logged <= limits.boost_above_kpa)


def read_tops(cells: pd.DataFrame, limits: LimitSettings) -> dict[str, Floats]:
    """Highest reading near each cell per ceiling channel, nan never seen; boost from either."""
    tops = {
        name: column_or(cells, f"{CEILING_CHANNELS[name][0]}_max", np.nan)
        for name in limits.ceilings
    }
    if "boost" in tops:
        barometer = column_or(cells, "barometer_kpa", limits.barometer_kpa)
        gauge = column_or(cells, "manifold_pressure_kpa", np.nan) - barometer
        tops["boost"] = np.fmax(tops["boost"], gauge)
    return tops


def nearest_reading(seen: Floats, axes: Axes) -> Floats:
    """A cell's own reading; where it has none the highest of its eight neighbours, or nan."""
    return np.where(np.isnan(seen), highest_around(seen, axes), seen)


def highest_around(seen: Floats, axes: Axes) -> Floats:
    """Highest reading of a cell's eight neighbours, nan where none has one."""
    table = np.where(np.isnan(seen), -np.inf, seen).reshape(axes.shape)
    ring = EIGHT.copy()
    ring[1, 1] = False
    around = ndimage.maximum_filter(table, footprint=ring, mode="constant", cval=-np.inf).ravel()
    return np.where(np.isfinite(around), around, np.nan)


def with_neighbours(flags: Flags, axes: Axes) -> Flags:
    """Add the eight neighbours of every marked cell."""
    grown = ndimage.binary_dilation(flags.reshape(axes.shape), structure=EIGHT)
    return np.asarray(grown).ravel()
