"""What was seen near each cell: how many samples, and the highest value of each channel."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.evidence.need import inside_axes
from tuneassist.grid import Axes, Floats


def channel_peaks(line: pd.DataFrame, axes: Axes, columns: tuple[str, ...]) -> pd.DataFrame:
    """Second-highest value of each channel near each cell, from all samples, moves included.

    Parameters
    ----------
    line
        Samples with ``rpm``, ``load`` and the channels.
    axes
        Breakpoints.
    columns
        Channel columns to look at; those that were not logged are left out.

    Returns
    -------
    pandas.DataFrame
        Shape (cells, channels), columns named ``<column>_max``; nan where never seen. The highest
        is left to chance: one wild reading is no temperature.
    """
    present = [c for c in columns if c in line]
    result = pd.DataFrame(index=range(axes.size))
    usable = line[["rpm", "load"]].notna().all(axis=1)
    if not present or not usable.any():
        return result
    places = line[usable]
    rpm, load = (places[c].to_numpy(dtype=float) for c in ("rpm", "load"))
    cell = pd.Series(nearest_cell(axes, rpm, load), index=places.index)
    for name in present:
        values = places[name].dropna().sort_values(ascending=False)
        groups = values.groupby(cell[values.index])
        second = groups.nth(1)
        peak = pd.Series(second.to_numpy(), index=cell[second.index].to_numpy())
        result[f"{name}_max"] = peak.reindex(range(axes.size)).to_numpy()
    return result


class RunningPeaks:
    """`channel_peaks` of samples that come in parts: the two highest values of every cell.

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
            high = np.flatnonzero((values > two[:, 1][cell]) & is_known)
            if len(high):
                self._insert(two, cell[high], values[high])

    def _insert(self, two: Floats, cell: npt.NDArray[np.int64], values: Floats) -> None:
        own = np.arange(self._axes.size)
        cells = np.concatenate([cell, own, own])
        every = np.concatenate([values, two[:, 0], two[:, 1]])
        order = np.lexsort((every, cells))
        ends = np.cumsum(np.bincount(cells, minlength=self._axes.size)) - 1
        two[:, 0], two[:, 1] = every[order[ends]], every[order[ends - 1]]

    def table(self) -> pd.DataFrame:
        """Return what `channel_peaks` returns."""
        return pd.DataFrame(
            {
                f"{name}_max": np.where(np.isfinite(two[:, 1]), two[:, 1], np.nan)
                for name, two in self._two.items()
            },
            index=range(self._axes.size),
        )


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
