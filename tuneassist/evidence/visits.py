"""What was seen near each cell: how many samples, and the highest value of each channel."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.evidence.need import inside_axes
from tuneassist.grid import Axes, Floats

PROMPT = frozenset(
    ("injector_duty_pct", "torque_nm", "rail_pressure_kpa", "manifold_pressure_kpa", "boost_kpa")
)
"""Channels that follow speed and load at once, so that a reading on the way through a cell is the
cell's own: the neighbours in time confirm it. A temperature lags and still tells of the cell
before, and knock comes in single events; there a second reading in the cell confirms the first."""


def confirmed(values: Floats) -> Floats:
    """Each value as far as the one before or after it reaches, shape (n,); -inf for a lone one.

    Examples
    --------
    >>> confirmed(np.array([70.0, 80.0, 99.0, 85.0, 60.0])).tolist()
    [70.0, 80.0, 85.0, 85.0, 60.0]
    """
    beyond = np.concatenate([[-np.inf], values, [-np.inf]])
    return np.asarray(np.minimum(values, np.maximum(beyond[:-2], beyond[2:])))


class RunningPeaks:
    """Highest confirmed value of each channel near each cell, of samples that come in parts.

    One wild reading is no temperature: another in the same cell must be as high, or of `PROMPT`
    channels the reading before or after it, wherever that was. So the two highest values of every
    cell are kept, and the last value of a part waits for the next one, which may confirm it.

    Parameters
    ----------
    axes
        Breakpoints.
    columns
        Channel columns of the log.
    """

    def __init__(self, axes: Axes, columns: tuple[str, ...]) -> None:
        self._axes = axes
        self._two = {name: np.full((axes.size, 2), -np.inf) for name in columns}
        prompt = [name for name in columns if name in PROMPT]
        self._sure = {name: np.full(axes.size, -np.inf) for name in prompt}
        # values and cells of the last two known values of a channel, -1 for no cell
        self._last = {name: (np.empty(0), np.empty(0, dtype=np.int64)) for name in prompt}

    def add(
        self,
        rpm: Floats,
        load: Floats,
        samples: pd.DataFrame,
        cell: npt.NDArray[np.int64] | None = None,
    ) -> None:
        """Take a part's samples into account; ``cell`` is the nearest of each, where known."""
        if not self._two:
            return
        is_known = np.isfinite(rpm) & np.isfinite(load)
        cell = nearest_cell(self._axes, rpm, load) if cell is None else cell
        for name, two in self._two.items():
            values = samples[name].to_numpy(dtype=float)
            if name in self._sure:
                self._confirm(name, values, np.where(is_known, cell, -1))
            known = np.flatnonzero(is_known)
            self._two[name] = keep_highest(two, cell[known], values[known])

    def _confirm(self, name: str, values: Floats, cell: npt.NDArray[np.int64]) -> None:
        """Take in the values that have both neighbours by now, and the first of all."""
        given = np.isfinite(values)
        before, places = self._last[name]
        every = np.concatenate([before, values[given]])
        cells = np.concatenate([places, cell[given]])
        start = 1 if len(before) == 2 else 0  # the first of two was taken in before
        sure, at = confirmed(every)[start:-1], cells[start:-1]
        self._take(name, sure, at)
        self._last[name] = every[-2:], cells[-2:]

    def _take(self, name: str, sure: Floats, at: npt.NDArray[np.int64]) -> None:
        top = self._sure[name]
        rows = np.flatnonzero((at >= 0) & (sure > top[at]))
        np.maximum.at(top, at[rows], sure[rows])

    def table(self) -> pd.DataFrame:
        """Return the highest values, shape (cells, channels), columns named ``<column>_max``.

        A cell in which a channel was never confirmed has nan.
        """
        found = {}
        for name, two in self._two.items():
            top = two[:, 0]
            if name in self._sure:
                values, cells = self._last[name]
                self._take(name, confirmed(values)[-1:], cells[-1:])
                top = np.maximum(top, self._sure[name])
            found[f"{name}_max"] = np.where(np.isfinite(top), top, np.nan)
        return pd.DataFrame(found, index=range(self._axes.size))


def keep_highest(known: Floats, group: npt.NDArray[np.int64], values: Floats) -> Floats:
    """Take further values into the highest of each group.

    Parameters
    ----------
    known
        The highest of each group so far, rising, shape (groups, kept).
    group, values
        Further values and where they belong, shape (n,).

    Examples
    --------
    >>> keep_highest(np.array([[1.0, 5.0]]), np.array([0, 0]), np.array([7.0, 2.0])).tolist()
    [[5.0, 7.0]]
    """
    new = np.flatnonzero(values > known[group, 0])
    if not len(new):
        return known
    count = known.shape[1]
    groups = np.concatenate([group[new], np.repeat(np.arange(len(known)), count)])
    every = np.concatenate([values[new], known.ravel()])
    order = np.lexsort((every, groups))
    ends = np.cumsum(np.bincount(groups, minlength=len(known)))
    return np.asarray(every[order[ends[:, None] - np.arange(count, 0, -1)]])


def nearest_cell(axes: Axes, rpm: Floats, load: Floats) -> npt.NDArray[np.int64]:
    """Cell whose breakpoints are nearest, shape (n,); what is no number falls anywhere."""
    return _nearest(axes.rpm, rpm) * len(axes.load) + _nearest(axes.load, load)


def count_nearest(
    axes: Axes,
    rpm: Floats,
    load: Floats,
    *,
    margin_cells: float,
    cell: npt.NDArray[np.int64] | None = None,
) -> npt.NDArray[np.int64]:
    """Samples per cell, each counted for the cell whose breakpoints are nearest.

    Parameters
    ----------
    axes
        Breakpoints.
    rpm, load
        Operating points, shape (n,). [rpm], [load unit]
    margin_cells
        How far outside the axes a sample still counts for the edge. [cells]
    cell
        The nearest cell of each sample, where it is known.
    """
    usable = inside_axes(axes, rpm, load, margin_cells=margin_cells)
    cell = nearest_cell(axes, rpm, load) if cell is None else cell
    inside = cell if usable.all() else cell[usable]
    return np.bincount(inside, minlength=axes.size).astype(np.int64)


def _nearest(points: Floats, values: Floats) -> npt.NDArray[np.int64]:
    middles = (points[1:] + points[:-1]) / 2.0
    found = np.searchsorted(middles, values).astype(np.int64)
    return np.minimum(found, len(points) - 1)
