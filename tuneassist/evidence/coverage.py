"""Coverage of the cells by the logs: left alone, unseen, seen, held or trusted.

A cell is *seen* if any sample is nearest to it, *held* if a hold has weight in it, its moving
samples are evidence of its own or its confidence is at least low, and *trusted* if its confidence
is fair or good. What was read while moving counts by what it is worth in ordinary holds. A cell has
*no evidence* if its confidence is none, whatever was seen there; counts of cells without evidence
mean this.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.evidence.cell_table import MIN_MOVING
from tuneassist.evidence.visits import count_nearest
from tuneassist.grid import Axes, Floats

STATES = ("left alone", "unseen", "seen", "held", "trusted")
"""States of a cell, from least to most coverage."""
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
    """Return how well each cell is covered.

    Parameters
    ----------
    axes
        The breakpoints.
    target
        Wanted lambda, nan for cells left alone. Shape of the axes. [lambda]
    cells
        The evidence's cells in cell order, with ``holds, confidence`` and, where moving samples
        count, ``worth`` and ``effective_n`` (`tuneassist.evidence.cell_table.cell_table`), and
        ``ci_low_pct, ci_high_pct`` where they are known.
    margin_cells
        How far outside the axes a sample still counts for the edge. [cells]
    points
        For each log, speed and load of every sample, moves and warm-up included. [rpm], [load unit]
    visits
        For each log, samples per cell if they were counted before, instead of ``points``. [1]

    Returns
    -------
    pandas.DataFrame
        In cell order: ``rpm, load, is_wanted, samples_seen, holds, confidence, is_seen, is_held,
        is_trusted, worth, effective_n, half_width_pct, state``. ``worth`` is the holds and what
        moving samples are worth beside them; ``half_width_pct`` is half of the deviation's 95 %
        interval; both it and ``effective_n`` are nan where they are not known. The state of a cell
        without a target is "left alone" whatever was logged there; every other cell has the highest
        state it has reached.
    """
    counts = [count_nearest(axes, rpm, load, margin_cells=margin_cells) for rpm, load in points]
    seen = np.sum([np.zeros(axes.size, dtype=np.int64), *counts, *visits], axis=0)
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
            "worth": (cells["worth"] if "worth" in cells else cells["holds"]).to_numpy(dtype=float),
            "effective_n": cells["effective_n"].to_numpy(dtype=float)
            if "effective_n" in cells
            else np.nan,
            "half_width_pct": _half_width_pct(cells),
        }
    )
    table["state"] = _states(table)
    return table


def _half_width_pct(cells: pd.DataFrame) -> Floats:
    """Half of the interval of each cell's deviation; nan where it is not known. [%]"""
    if "ci_low_pct" not in cells or "ci_high_pct" not in cells:
        return np.full(len(cells), np.nan)
    low, high = (cells[name].to_numpy(dtype=float) for name in ("ci_low_pct", "ci_high_pct"))
    return np.asarray((high - low) / 2.0)


def _states(table: pd.DataFrame) -> npt.NDArray[np.str_]:
    """Return the state of each cell."""
    return np.select(
        [
            ~table["is_wanted"],
            table["is_trusted"],
            table["is_held"] | (table["worth"] >= MIN_MOVING) | table["confidence"].ne("none"),
            table["is_seen"],
        ],
        ["left alone", "trusted", "held", "seen"],
        default="unseen",
    )


def count_blank(table: pd.DataFrame) -> int:
    """Count the cells with a target and without evidence."""
    return int((table["is_wanted"] & table["confidence"].eq("none")).sum())


def count_states(table: pd.DataFrame) -> dict[str, int]:
    """Count the cells in each state, all `STATES` in order."""
    counts = table["state"].value_counts()
    return {state: int(counts.get(state, 0)) for state in STATES}
