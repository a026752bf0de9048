"""What the controller held when a log was taken, brought to what it holds now.

A boost grid multiplies the absolute manifold pressure, so that a pressure logged under an earlier
grid tells the pressure under the one in force: times (1 + now) / (1 + then). Fuel that was taken
away beside a boost grid makes the mixture leaner as more air would, so that both together act on
lambda as one boost grid, (1 + air) / (1 + fuel).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from tuneassist.correction.boost_forecast import (
    BAROMETER,
    PRESSURE,
    PRESSURE_NOW,
    PRESSURE_READ,
)
from tuneassist.correction.cell_readings import column_or
from tuneassist.grid import Floats, Grid
from tuneassist.pipeline import LogEvidence

LOGGED, GAUGE = f"{PRESSURE}_max", "boost_kpa_max"
SAME_PCT = 1e-6
"""Values of two grids closer than this are the same. [%]"""


def acting_on_lambda(air: Grid, fuel: Grid | None) -> Grid:
    """Return the boost grid that acts on lambda as a boost grid and a fuel grid together.

    Parameters
    ----------
    air
        The boost grid. [% of absolute manifold pressure]
    fuel
        What was taken from the fuel beside it; None is nothing. [% of fuel quantity]

    Examples
    --------
    >>> from tuneassist.grid import Axes
    >>> axes = Axes(np.array([1000.0, 2000.0]), np.array([1.0, 2.0]))
    >>> both = acting_on_lambda(Grid(axes, np.full((2, 2), 4.5)), Grid(axes, np.full((2, 2), -5.0)))
    >>> float(both.values[0, 0].round(6))
    10.0
    """
    if fuel is None:
        return air
    ratio = (100.0 + air.flat()) / (100.0 + fuel.flat())
    return Grid(air.axes, (100.0 * (ratio - 1.0)).reshape(air.axes.shape))


def with_pressure_now(
    log: LogEvidence, *, then: Grid, now: Grid, barometer_kpa: float
) -> LogEvidence:
    """Return a log with its manifold pressures under the boost grid in force now.

    Parameters
    ----------
    log
        With the highest readings near each cell, as logged.
    then, now
        The boost grid when it was logged, and the one in force now.
    barometer_kpa
        Where the log has none. [kPa]

    Returns
    -------
    LogEvidence
        The pressure, and the gauge boost, that the limits count with is never less than the one
        read. Beside the pressure stand the pressure under the grid in force, and the readings of
        cells whose value is the same.
    """
    was, held = np.nan_to_num(then.flat()), np.nan_to_num(now.flat())
    is_same = np.abs(held - was) <= SAME_PCT
    ratio = np.where(is_same, 1.0, (100.0 + held) / (100.0 + was))
    columns: dict[str, Floats] = {}
    if LOGGED in log.peaks:
        read = log.peaks[LOGGED].to_numpy(dtype=float)
        columns = {
            LOGGED: np.fmax(read, read * ratio),
            f"{PRESSURE_NOW}_max": read * ratio,
            f"{PRESSURE_READ}_max": np.where(is_same, read, np.nan),
        }
    if GAUGE in log.peaks:
        gauge = log.peaks[GAUGE].to_numpy(dtype=float)
        barometer = column_or(log.peaks, BAROMETER, barometer_kpa)
        columns[GAUGE] = np.fmax(gauge, (gauge + barometer) * ratio - barometer)
    return replace(log, peaks=pd.DataFrame(log.peaks).assign(**columns)) if columns else log
