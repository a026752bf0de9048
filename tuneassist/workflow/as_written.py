"""Grids as they will be read from their files."""

from __future__ import annotations

import csv
import io

import numpy as np

from tuneassist.errors import RuleBreachError
from tuneassist.files.grid_file import write_grid_text
from tuneassist.grid import Axes, Floats, Grid, compose_pct

DECIMALS = 10
"""Decimals of a percent in a grid's file; cuts only floating-point noise. [1]"""
MISMATCH_PCT = 1e-6
"""Largest error of composing grid in force and step to the new grid, as written. [%]"""


def grid_text(grid: Grid) -> str:
    """Return the content of a grid's file."""
    return write_grid_text(Grid(grid.axes, np.round(grid.values, DECIMALS)))


def read_back(text: str, axes: Axes) -> Floats:
    """Read a grid's text by other means than it was written; shape of the axes.

    Raises
    ------
    RuleBreachError
        When it has another shape.
    """
    rows = list(csv.reader(io.StringIO(text)))[1:]
    values = [[float(cell) if cell else np.nan for cell in row[1:]] for row in rows]
    if [len(row) for row in values] != [axes.shape[1]] * axes.shape[0]:
        raise RuleBreachError("The grid as written has the wrong shape; nothing was written.")
    return np.array(values)


def require_composed(new: Floats, current: Grid, step: Floats) -> None:
    """Refuse a grid that is not the grid in force and the step composed.

    Parameters
    ----------
    new, step
        As read back. [%]
    current
        The grid in force.

    Raises
    ------
    RuleBreachError
        When they do not compose.
    """
    apart = np.abs(compose_pct(current.values, step) - new)
    is_value = np.isfinite(current.values)
    if (np.isfinite(new) != is_value).any() or (apart[is_value] > MISMATCH_PCT).any():
        raise RuleBreachError(
            "The step and the grid in force do not compose to the new grid; nothing was written."
        )
