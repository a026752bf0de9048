"""Which holds of a plan were held: holds of the day's logs, each at the planned hold nearest it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.grid import Axes, Floats

WITHIN_CELLS = 0.5
"""A hold counts for the nearest planned one no farther away than this in speed and in load: plans
are made in steps of half a cell, and a brake seldom stands closer. [cells]"""
LEAST_SHARE = 0.5
"""Share of the planned seconds that a hold must have stood: settling takes 2 to 5 s off it. [1]"""


def is_done(planned: pd.DataFrame, held: pd.DataFrame, axes: Axes) -> npt.NDArray[np.bool_]:
    """Tell which planned holds were held.

    Parameters
    ----------
    planned
        Holds of a plan: ``rpm, load, hold_s``.
    held
        Holds found in logs: ``rpm, load, start_s, end_s``; settling is off them already.
    axes
        Breakpoints; distance is counted in their steps.

    Returns
    -------
    numpy.ndarray
        One value per planned hold. A hold that stood counts for one planned hold only.
    """
    done = np.zeros(len(planned), dtype=bool)
    if planned.empty or held.empty:
        return done
    away = np.abs(_steps(axes, planned)[:, None, :] - _steps(axes, held)[None, :, :]).max(axis=2)
    stood = (held["end_s"] - held["start_s"]).to_numpy(dtype=float)
    nearest = away.argmin(axis=0)
    counts = away.min(axis=0) <= WITHIN_CELLS
    counts &= stood >= LEAST_SHARE * planned["hold_s"].to_numpy(dtype=float)[nearest]
    done[nearest[counts]] = True
    return done


def _steps(axes: Axes, rows: pd.DataFrame) -> Floats:
    """Places in steps of the breakpoints, shape (n, 2)."""
    pairs = ((rows["rpm"], axes.rpm), (rows["load"], axes.load))
    steps = [np.interp(at, points, np.arange(len(points))) for at, points in pairs]
    return np.stack(steps, axis=1)
