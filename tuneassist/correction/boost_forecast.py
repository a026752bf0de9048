"""Gauge boost of each cell now and after a step of a boost grid, from what was logged there.

A boost grid multiplies the absolute manifold pressure, so that a cell's boost after a step of
``c`` percent is ``pressure x (1 + c/100) - barometer``. The pressure is the highest one logged in
the cell, under the grid in force or brought to it; a cell without a reading gets no number.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.correction.cell_readings import column_or
from tuneassist.grid import Floats
from tuneassist.settings import Setup
from tuneassist.units import UNITS, convert

PRESSURE = "manifold_pressure_kpa"
"""Highest absolute manifold pressure near a cell, as the limits count it. [kPa]"""
PRESSURE_NOW = "pressure_under_grid_kpa"
"""The same under the boost grid in force now, where logs of earlier grids count. [kPa]"""
PRESSURE_READ = "pressure_read_under_grid_kpa"
"""The same, of logs in which the cell held the value that it holds now. [kPa]"""
BAROMETER = "barometer_kpa"

MEASURED, EARLIER, UNREAD = "measured", "earlier grid", "no reading"
BASIS_WORDS: Mapping[str, str] = {
    MEASURED: "highest reading in the cell, with the grid in force",
    EARLIER: "read with an earlier grid, brought to the grid in force",
    UNREAD: "no pressure was logged in the cell",
}
"""What the boost of a cell rests on."""
NOW, AFTER, BASIS = "boost_now_kpa", "boost_after_kpa", "boost_basis"


def boost_forecast(cells: pd.DataFrame, step_pct: Floats, setup: Setup) -> pd.DataFrame:
    """Predict the gauge boost of every cell.

    Parameters
    ----------
    cells
        In cell order, with `PRESSURE` where it was logged.
    step_pct
        The step, shape (cells,). [% of absolute manifold pressure]
    setup
        Its barometer counts where none was logged.

    Returns
    -------
    pandas.DataFrame
        ``boost_now_kpa, boost_after_kpa`` (gauge; nan without a reading) and ``boost_basis``, one
        of `BASIS_WORDS`. A cell that does not change is not predicted to change.

    Examples
    --------
    >>> import tuneassist
    >>> setup = tuneassist.read_setup("sample_logs/van-setup.toml")
    >>> read = pd.DataFrame({"manifold_pressure_kpa": [200.0, np.nan], "barometer_kpa": 99.0})
    >>> told = boost_forecast(read, np.array([5.0, 5.0]), setup)
    >>> told.round(3).to_numpy().tolist()
    [[101.0, 111.0, 'measured'], [nan, nan, 'no reading']]
    """
    pressure, basis = _pressure_now(cells)
    barometer = column_or(cells, BAROMETER, setup.limits.barometer_kpa)
    after = pressure * (1.0 + np.nan_to_num(step_pct) / 100.0)
    return pd.DataFrame(
        {NOW: pressure - barometer, AFTER: after - barometer, BASIS: basis}, index=cells.index
    )


def _pressure_now(cells: pd.DataFrame) -> tuple[Floats, npt.NDArray[np.object_]]:
    """Absolute pressure under the grid in force, and what it rests on."""
    top = column_or(cells, PRESSURE, np.nan)
    brought = column_or(cells, f"{PRESSURE_NOW}_max", np.nan)
    read = column_or(cells, f"{PRESSURE_READ}_max", np.nan)
    if np.isnan(brought).all():
        brought = read = top
    pressure = np.fmax(read, brought)  # a pass at part load does not undo what full load read
    basis = np.where(read >= pressure, MEASURED, EARLIER).astype(object)
    basis[np.isnan(pressure)] = UNREAD
    return np.asarray(pressure), basis


def barometer_words(cells: pd.DataFrame, setup: Setup) -> str:
    """Say which barometer a forecast counts from.

    Parameters
    ----------
    cells, setup
        As for `boost_forecast`.
    """
    logged = column_or(cells, BAROMETER, np.nan)
    if np.isnan(logged).all():
        return f"a barometer of {setup.limits.barometer_kpa:g} kPa, for none was logged"
    return f"a barometer of {float(np.nanmin(logged)):.1f} kPa, as logged"


def pressure_unit(setup: Setup, logged: Mapping[str, str] | None = None) -> str:
    """Return the unit in which the tuner thinks of boost.

    Parameters
    ----------
    setup
        The unit of its boost ceiling counts first, then of its pressure channels, then of its
        load axis.
    logged
        Unit of each channel in the logs, which count last; None without logs.

    Returns
    -------
    str
        A unit word of pressure, kPa where nothing tells.
    """
    ceiling = setup.limits.ceilings.get("boost")
    names = ("boost", "manifold_pressure")
    sources = [setup.channels[name].unit for name in names if name in setup.channels]
    asked = [
        None if ceiling is None else ceiling.given_unit,
        *sources,
        setup.axes.load_unit,
        *((logged or {}).get(name) for name in names),
    ]
    words = [(word or "").partition(" ")[0] for word in asked]
    found = (word for word in words if word in UNITS and UNITS[word].quantity == "pressure")
    return next(found, "kPa")


def boost_in(unit: str, kpa: npt.ArrayLike) -> Floats:
    """Convert a boost to a unit; `kpa` is gauge, and so is the result."""
    return np.asarray(convert(np.asarray(kpa, dtype=float), "kPa", unit), dtype=float)
