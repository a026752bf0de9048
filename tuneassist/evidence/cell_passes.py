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
    time_s: Floats, rpm: Floats, load: Floats, lam: Floats, *, delay: SensorDelay, rows: Mask
) -> Floats:
    """Lambda of moving samples, shape (n,): read later by transport delay and sensor lag.

    Parameters
    ----------
    time_s, rpm, load, lam
        The time line, lambda as logged. [s], [rpm], [load unit], [lambda]
    delay
        Delay of lambda.
    rows
        Samples for which it is wanted; nan elsewhere.
    """
    found = np.full(len(time_s), np.nan)
    at = np.flatnonzero(rows)
    if len(at):
        late_s = time_s[at] + delay.at(rpm[at], load[at]) + delay.lag_s
        after = np.minimum(np.searchsorted(time_s, late_s), len(time_s) - 1)
        found[at] = np.where(late_s <= time_s[-1], lam[after], np.nan)
    return found


def long_after_cut(time_s: Floats, is_fuelled: Mask, dead_s: float) -> Mask:
    """Tell which samples come more than a dead time after the last fuel cut."""
    last_cut_s = np.maximum.accumulate(np.where(is_fuelled, -np.inf, time_s))
    return np.asarray(time_s - last_cut_s > dead_s)


def sum_passes(
    axes: Axes, *, rpm: Floats, load: Floats, need_ln: Floats, is_moving: Mask
) -> pd.DataFrame:
    """Sum the passes through each cell.

    Parameters
    ----------
    axes
        Breakpoints.
    rpm, load, need_ln
        The time line and what each sample needs, nan where it has no value, shape (n,). [rpm],
        [load unit], [ln]
    is_moving
        Samples that may be part of a pass: warm, fuelled, inside the table, and not at rest.

    Returns
    -------
    pandas.DataFrame
        `COLUMNS`, one row per cell; the sums of the parts of a log add up.
    """
    rows = np.flatnonzero(is_moving & np.isfinite(need_ln))
    if not len(rows):
        return pd.DataFrame(0.0, index=range(axes.size), columns=list(COLUMNS))
    cell = nearest_cell(axes, rpm[rows], load[rows])
    starts = np.flatnonzero(np.concatenate([[True], (np.diff(cell) != 0) | (np.diff(rows) > 1)]))
    count = np.diff(np.append(starts, len(rows)))
    means = [np.add.reduceat(x[rows], starts) / count for x in (rpm, load, need_ln)]
    parts = (np.ones(len(starts)), *means, means[2] ** 2)
    at = cell[starts]
    sums = [np.bincount(at, weights=part, minlength=axes.size) for part in parts]
    return pd.DataFrame(dict(zip(COLUMNS, sums, strict=True)))


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
        From `sum_passes`.
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
