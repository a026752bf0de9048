"""Which cells the logs have seen, held and can be trusted about, and which are left alone.

A cell is *seen* when any sample lies nearer to it than to another breakpoint, *held* when a hold
has weight in it or the holds around it tell at least a little (confidence low), and *trusted* when
its confidence is fair or good, by holds of its own or between neighbours that have them. A cell has
*no evidence* when its confidence is none, whatever was seen there: that is what is counted wherever
cells without evidence are spoken of.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.evidence.visits import count_nearest
from tuneassist.grid import Axes, Floats

STATES = ("left alone", "unseen", "seen", "held", "trusted")
"""What a cell's coverage is called, from least to most."""
TRUSTED_WORDS = ("fair", "good")


def coverage_table(
    axes: Axes,
    *,
    target: Floats,
    cells: pd.DataFrame,
    margin_cells: float,
    points: Iterable[tuple[Floats, Floats]] = (),
    visits: Iterable[npt.NDArray[np.int64]] = (),
) -> pd.DataFrame:
    """Say how well each cell is covered.

    Parameters
    ----------
    axes
        The breakpoints.
    target
        Wanted lambda, nan for cells left alone. Shape of the axes. [lambda]
    cells
        The evidence's cells in cell order, with ``holds, confidence``.
    margin_cells
        How far outside the axes a sample still counts for the edge. [cells]
    points
        For each log, speed and load of every sample, moves and warm-up included. [rpm], [load unit]
    visits
        Instead of ``points``, for each log its samples per cell as counted before. [1]

    Returns
    -------
    pandas.DataFrame
        In cell order: ``rpm, load, is_wanted, samples_seen, holds, confidence, is_seen, is_held,
        is_trusted, state``. The state of a cell without a target is "left alone" whatever was
        logged there; every other cell has the highest state it has reached.
    """
    seen = np.zeros(axes.size, dtype=np.int64)
    for rpm, load in points:
        seen += count_nearest(axes, rpm, load, margin_cells=margin_cells)
    for counted in visits:
        seen += counted
    holds = cells["holds"].to_numpy(dtype=np.int64)
    words = cells["confidence"].astype(str).to_numpy(dtype=object)
    table = pd.DataFrame(
        {
            "rpm": axes.cell_rpm(),
            "load": axes.cell_load(),
            "is_wanted": np.isfinite(target).ravel(),
            "samples_seen": seen,
            "holds": holds,
            "confidence": words,
            "is_seen": seen > 0,
            "is_held": holds > 0,
            "is_trusted": np.isin(words, TRUSTED_WORDS),
        }
    )
    table["state"] = np.select(
        [
            ~table["is_wanted"],
            table["is_trusted"],
            table["is_held"] | table["confidence"].ne("none"),
            table["is_seen"],
        ],
        ["left alone", "trusted", "held", "seen"],
        default="unseen",
    )
    return table


def count_blank(table: pd.DataFrame) -> int:
    """Count the cells with a target and without evidence."""
    return int((table["is_wanted"] & table["confidence"].eq("none")).sum())


def count_states(table: pd.DataFrame) -> dict[str, int]:
    """Count the cells in each state, all `STATES` in order."""
    counts = table["state"].value_counts()
    return {state: int(counts.get(state, 0)) for state in STATES}
