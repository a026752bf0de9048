"""A log's samples over time, thinned: enough to look at, and bounded however long the log is."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.grid import Floats

MOST_SAMPLES = 1_200
"""A trace has at least so many samples of a longer log, and fewer than twice as many. [1]"""
TRACE_NUMBERS = ("time_s", "rpm", "load", "need_pct")
"""Columns with numbers: need as logged, the trims included, is nan where it is not known."""
TRACE_COLUMNS = (*TRACE_NUMBERS, "fate")
_DIGITS = (2, 0, 2, 3)

Rows = npt.NDArray[np.intp]


def no_trace() -> pd.DataFrame:
    """Return a trace without samples."""
    return pd.DataFrame({name: np.zeros(0) for name in TRACE_NUMBERS} | {"fate": []})


class TimeTrace:
    """Keeps every n-th sample; n doubles whenever too many are kept.

    It does not matter in what parts a log comes: the samples kept are the same.
    """

    def __init__(self) -> None:
        self._every, self._seen = 1, 0
        self._kept: list[pd.DataFrame] = []
        self._count = 0

    def wanted(self, rows: int) -> Rows:
        """Return which of the next rows are kept, and count them all.

        Parameters
        ----------
        rows
            How many come next.
        """
        first = -self._seen % self._every
        self._seen += rows
        return np.arange(first, rows, self._every)

    def add(
        self, time_s: Floats, rpm: Floats, load: Floats, need_ln: Floats, fate: list[str]
    ) -> None:
        """Take in the rows that were wanted.

        Parameters
        ----------
        time_s, rpm, load
            Place of each. [s], [rpm], [load unit]
        need_ln
            What each needs; nan where not known. [ln]
        fate
            What became of each.
        """
        need_pct = 100.0 * np.expm1(need_ln)
        numbers = zip(TRACE_NUMBERS, (time_s, rpm, load, need_pct), _DIGITS, strict=True)
        table = {name: np.round(values, digits) for name, values, digits in numbers}
        self._kept.append(pd.DataFrame({**table, "fate": fate}))
        self._count += len(fate)
        while self._count >= 2 * MOST_SAMPLES:
            thinned = self.table().iloc[::2]
            self._kept, self._count = [thinned], len(thinned)
            self._every *= 2

    def table(self) -> pd.DataFrame:
        """Return what was kept, in order of time: `TRACE_COLUMNS`."""
        filled = [one for one in self._kept if len(one)]
        return pd.concat(filled, ignore_index=True) if filled else no_trace()
