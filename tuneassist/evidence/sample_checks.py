"""Checks on a frame of samples before it is reduced.

Readers always deliver a valid frame; a frame built by hand may lack columns or order.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import pandas as pd
from pandas.api.types import is_numeric_dtype

from tuneassist.arguments import of_kind
from tuneassist.errors import LogError

REQUIRED = ("time_s", "rpm", "load")
"""Columns that every frame must have."""
MIXTURE = ("lambda", "fuel_trim_short_pct", "fuel_trim_long_pct")
"""Columns of the mixture, at least one of which must be there."""
COLUMN_REMEDY = "Use the column names and units of tuneassist.channels; read_log delivers them."


def checked_parts(parts: Iterable[pd.DataFrame], *, name: str) -> Iterator[pd.DataFrame]:
    """Check each part of a log as it is read.

    Parameters
    ----------
    parts
        Samples in inside units, in order of time.
    name
        The log's name, for messages.

    Yields
    ------
    pandas.DataFrame
        Each part as it came.

    Raises
    ------
    LogError
        If a column is missing or not numeric, or time is blank or decreases.
    """
    last_s = -np.inf
    for part in parts:
        last_s = _check_part(part, last_s, name)
        yield part


def _check_part(part: pd.DataFrame, after_s: float, name: str) -> float:
    """Check one part; return its last time. [s]"""
    of_kind(part, pd.DataFrame, what=f"the samples of {name}", mend=COLUMN_REMEDY, error=LogError)
    missing = [column for column in REQUIRED if column not in part]
    if not any(column in part for column in MIXTURE):
        missing.append(MIXTURE[0])
    if missing:
        raise LogError(
            f"the frame has no column {', '.join(missing)}.", where=name, mend=COLUMN_REMEDY
        )
    for column in (*REQUIRED, *(column for column in MIXTURE if column in part)):
        if not is_numeric_dtype(part[column]):
            raise LogError(f"column {column} is not numeric.", where=name, mend=COLUMN_REMEDY)
    return _last_time(part["time_s"].to_numpy(dtype=float), after_s, name)


def _last_time(time_s: np.ndarray, after_s: float, name: str) -> float:
    if not len(time_s):
        return after_s
    if not np.isfinite(time_s).all():
        blank = int(np.sum(~np.isfinite(time_s)))
        raise LogError(
            f"time_s is blank in {blank} of {len(time_s)} rows.",
            where=name,
            mend="Drop rows without a time.",
        )
    falls = np.flatnonzero(np.diff(time_s, prepend=after_s) < 0)
    if len(falls):
        at = int(falls[0])
        before = float(time_s[at - 1]) if at else after_s
        raise LogError(
            f"time runs backwards: {before:g} s is followed by {time_s[at]:g} s.",
            where=f"{name}, row {at + 1} of the frame",
            mend='Sort the frame with sort_values("time_s"); pass sessions one at a time.',
        )
    return float(time_s[-1])
