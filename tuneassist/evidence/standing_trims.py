"""Fuel trims that stand still: in open loop nothing in a log shows whether they act.

Where lambda is logged, the need of a sample is its lambda and the trims applied. A controller in
open loop freezes its short trim, and some still apply the long one there while others apply
neither. A negative trim that does not act makes a map look richer than it is by as much.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes, Floats

STANDING_PCT = "standing_trim_pct"
"""Column of the highest values per cell: size of the negative trim that stood still there. [%]"""
#: A short trim in closed loop moves within this time (common practice, no source), and with every
#: few new values of a slow logger. [s], [1]
STANDING_S, STANDING_RENEWALS = 3.0, 3.0
#: A smaller trim is not worth a doubt: less than a good hold tells. [%]
LEAST_PCT = 1.0


class StandingTrims:
    """Looks for negative trims that stand still, over as many parts as a log has.

    Parameters
    ----------
    axes
        Breakpoints.
    renewed_s
        Time between new values of a polled logger. [s]
    """

    def __init__(self, axes: Axes, renewed_s: float) -> None:
        self._axes = axes
        self._standing_s = max(STANDING_S, STANDING_RENEWALS * renewed_s)
        self._last, self._moved_s, self._seen_s = np.nan, np.inf, -np.inf
        self.worst_pct = np.zeros(axes.size)

    def add(self, time_s: Floats, rpm: Floats, load: Floats, short: Floats, total: Floats) -> None:
        """Take in a part: times, place, short trim, and all trims together. [s, rpm, ., %, %]"""
        if not len(time_s):
            return
        is_new = self._is_new(time_s, short)
        began = min(self._moved_s, float(time_s[0]))
        moved_s = np.maximum.accumulate(np.where(is_new, time_s, began))
        stands = (time_s - moved_s >= self._standing_s) & (total <= -LEAST_PCT)
        stands &= np.isfinite(rpm) & np.isfinite(load)
        self._moved_s = float(moved_s[-1])
        if stands.any():
            cell = nearest_cell(self._axes, rpm[stands], load[stands])
            np.maximum.at(self.worst_pct, cell, -total[stands])

    def _is_new(self, time_s: Floats, short: Floats) -> npt.NDArray[np.bool_]:
        """Tell samples whose short trim is another than the one before, or whose past is a gap."""
        before = np.concatenate([[self._last], short[:-1]])
        is_after_gap = np.diff(time_s, prepend=self._seen_s) > self._standing_s / 2.0
        self._last, self._seen_s = float(short[-1]), float(time_s[-1])
        is_other = np.isfinite(before) & np.isfinite(short) & (short != before)
        return np.asarray(is_other | is_after_gap)


def standing_words(worst_pct: float) -> str:
    """Say why a cell in which trims stood still gets no leaner."""
    return (
        f"the fuel trims stand still at {-worst_pct:.1f} % here while lambda is logged, and "
        "nothing shows that they act. When they do, say so with standing_trims_act = true in "
        "[correction]"
    )
