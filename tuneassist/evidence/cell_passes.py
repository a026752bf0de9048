"""Evidence from transients: one value each time the engine passes through a cell.

A pass is an unbroken run of moving samples that are nearest to one breakpoint. Wall film, manifold
filling and sensor lag put its lambda off by a few percent in either direction, so one pass is weak
evidence. Many passes that all read lean are still evidence about a cell that no hold visited. The
pass is the unit, not the sample, because the samples of one pass share its error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.evidence.delay import SensorDelay
from tuneassist.evidence.lattice import LatticeFit
from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes, Floats, bilinear_weights

Mask = npt.NDArray[np.bool_]

#: Columns for each cell: number of passes, and sums over the passes.
COLUMNS = ("passes", "pass_rpm", "pass_load", "pass_need_ln", "pass_need_square")
#: Fewest passes beyond the first in their cell from which the scatter is estimated. [1]
MIN_SPARE = 10
#: Least standard deviation of a pass. [ln]
MIN_PASS_SD = 0.005


@dataclass(frozen=True, eq=False)
class PassEvidence:
    """The passes of one log, one value per cell that was passed.

    Parameters
    ----------
    rpm, load
        Mean place of the passes. [rpm], [load unit]
    need
        Mean total need. [ln]
    variance
        Variance of that mean. [ln^2]
    """

    rpm: Floats
    load: Floats
    need: Floats
    variance: Floats


def lambda_when_moving(
    time_s: Floats,
    rpm: Floats,
    load: Floats,
    lam: Floats,
    *,
    delay: SensorDelay,
    rows: npt.NDArray[np.int64],
) -> Floats:
    """Lambda that belongs to moving samples, one per row: read later by delay and sensor lag.

    Parameters
    ----------
    time_s, rpm, load, lam
        The time line, lambda as logged; it may go on beyond the last row that is asked for. [s],
        [rpm], [load unit], [lambda]
    delay
        Delay of lambda.
    rows
        Samples at which it is asked for.
    """
    late_s = time_s[rows] + delay.at(rpm[rows], load[rows]) + delay.lag_s
    after = np.minimum(np.searchsorted(time_s, late_s), len(time_s) - 1)
    return np.where(late_s <= time_s[-1], lam[after], np.nan)


def long_after_cut(
    time_s: Floats, is_fuelled: Mask, dead_s: float, last_cut_s: float = -np.inf
) -> tuple[Mask, float]:
    """Mask of samples that are farther than a dead time behind the last fuel cut.

    Parameters
    ----------
    time_s, is_fuelled
        A part of the time line, shape (n,). [s]
    dead_s
        The dead time. [s]
    last_cut_s
        When an earlier part saw the last cut. [s]

    Returns
    -------
    mask, last_cut_s
        Shape (n,); and when the last cut was by now. [s]
    """
    cut_s = np.maximum.accumulate(np.append(last_cut_s, np.where(is_fuelled, -np.inf, time_s)))
    return np.asarray(time_s - cut_s[1:] > dead_s), float(cut_s[-1])


class PassSums:
    """Sums over the passes through each cell, of samples that come in parts.

    A pass that the end of a part leaves open waits for the next part.

    Parameters
    ----------
    axes
        Breakpoints.
    """

    def __init__(self, axes: Axes) -> None:
        self._axes = axes
        self._sums = np.zeros((len(COLUMNS), axes.size))
        self._open = np.empty((3, 0))  # speed, load and need of the open pass

    def add(self, rpm: Floats, load: Floats, need_ln: Floats, is_moving: Mask) -> None:
        """Take a part into account; the parts follow each other without a hole.

        Parameters
        ----------
        rpm, load, need_ln
            The time line and what each sample needs, nan where it has no value, shape (n,). [rpm],
            [load unit], [ln]
        is_moving
            Samples that may be part of a pass: warm, fuelled, inside the table, and not at rest.
        """
        waiting = self._open.shape[1]
        values = np.concatenate([self._open, np.stack([rpm, load, need_ln])], axis=1)
        is_part = np.append(np.ones(waiting, dtype=bool), is_moving & np.isfinite(need_ln))
        rows = np.flatnonzero(is_part)
        starts = self._starts(values, rows)
        is_open = len(rows) > 0 and rows[-1] == len(is_part) - 1
        closed = int(starts[-1]) if is_open else len(rows)
        self._open = values[:, rows[closed:]]
        self._close(values[:, rows[:closed]], starts[starts < closed])

    def table(self) -> pd.DataFrame:
        """Return `COLUMNS`, one row per cell, the open pass included; no more may be added."""
        self._close(self._open, np.zeros(min(self._open.shape[1], 1), dtype=np.int64))
        self._open = self._open[:, :0]
        return pd.DataFrame(dict(zip(COLUMNS, self._sums, strict=True)))

    def _starts(self, values: Floats, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Places among the rows at which a pass begins."""
        if not len(rows):
            return np.empty(0, dtype=np.int64)
        cell = nearest_cell(self._axes, values[0, rows], values[1, rows])
        is_new = (np.diff(cell) != 0) | (np.diff(rows) > 1)
        return np.flatnonzero(np.append(True, is_new))

    def _close(self, values: Floats, starts: npt.NDArray[np.int64]) -> None:
        """Add finished passes, in the order in which they were driven."""
        if not len(starts):
            return
        count = np.diff(np.append(starts, values.shape[1]))
        rpm, load, need = (np.add.reduceat(one, starts) / count for one in values)
        cell = nearest_cell(self._axes, values[0, starts], values[1, starts])
        parts = (np.ones(len(starts)), rpm, load, need, need**2)
        for total, part in zip(self._sums, parts, strict=True):
            np.add.at(total, cell, part)


def pass_evidence(
    sums: pd.DataFrame,
    axes: Axes,
    *,
    in_force_ln: Floats,
    fit: LatticeFit,
    original_share: float = 1.0,
) -> PassEvidence | None:
    """Turn one log's sums into evidence; None with too few passes to estimate their scatter.

    Parameters
    ----------
    sums
        From `PassSums`.
    axes
        Breakpoints.
    in_force_ln
        Correction that was in force at each cell, shape (cells,). [ln of need]
    fit
        The surface of the holds. If the passes read richer than the surface on average, as sensor
        lag and wall film can make them, they are shifted to it.
    original_share
        Share of the log that does not repeat another part of it; a repeat adds no evidence. [1]
    """
    number = sums["passes"].to_numpy(dtype=float)
    cells = np.flatnonzero(number > 0)
    n = original_share * number[cells]
    spare = float(np.sum(np.maximum(n - 1.0, 0.0)))
    if spare < MIN_SPARE:
        return None
    rpm, load, need, square = (
        sums[c].to_numpy(dtype=float)[cells] / number[cells] for c in COLUMNS[1:]
    )
    within = float(np.sum(n * np.maximum(square - need**2, 0.0))) / spare
    total = need + in_force_ln[cells]
    gap = total - bilinear_weights(axes, rpm, load) @ fit.theta
    richer = min(float(np.average(gap, weights=n)), 0.0)
    variance = max(within, MIN_PASS_SD**2) / n
    return PassEvidence(rpm, load, total - richer, variance)
