"""What a frame of samples must have before a stage works on it.

A reader delivers all of it; a frame that was built by hand may not.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import pandas as pd
from pandas.api.types import is_numeric_dtype

from tuneassist.arguments import of_kind
from tuneassist.errors import LogError

NEEDED = ("time_s", "rpm", "load")
"""Columns without which there is no hold and no cell."""
MIXTURE = ("lambda", "fuel_trim_short_pct", "fuel_trim_long_pct")
"""Columns of which one must tell the mixture."""
INSIDE = "Columns are named and in units as in tuneassist.channels; read_log delivers them."


def checked_parts(parts: Iterable[pd.DataFrame], *, name: str) -> Iterator[pd.DataFrame]:
    """Hold every part of a log against what the stages need.

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
        When a column is missing or holds no numbers, or time is blank or runs back.
    """
    last_s = -np.inf
    for part in parts:
        last_s = _check_part(part, last_s, name)
        yield part


def _check_part(part: pd.DataFrame, after_s: float, name: str) -> float:
    """Check one part; return its last time. [s]"""
    of_kind(part, pd.DataFrame, what=f"the samples of {name}", mend=INSIDE, error=LogError)
    missing = [column for column in NEEDED if column not in part]
    if not any(column in part for column in MIXTURE):
        missing.append(MIXTURE[0])
    if missing:
        raise LogError(f"the frame has no column {', '.join(missing)}.", where=name, mend=INSIDE)
    for column in (*NEEDED, *(column for column in MIXTURE if column in part)):
        if not is_numeric_dtype(part[column]):
            raise LogError(f"column {column} holds no plain numbers.", where=name, mend=INSIDE)
    return _last_time(part["time_s"].to_numpy(dtype=float), after_s, name)


def _last_time(time_s: np.ndarray, after_s: float, name: str) -> float:
    if not len(time_s):
        return after_s
    if not np.isfinite(time_s).all():
        blank = int(np.sum(~np.isfinite(time_s)))
        raise LogError(
            f"time_s is blank in {blank} of {len(time_s)} rows.",
            where=name,
            mend="Leave rows without a time out.",
        )
    falls = np.flatnonzero(np.diff(time_s, prepend=after_s) < 0)
    if len(falls):
        at = int(falls[0])
        before = float(time_s[at - 1]) if at else after_s
        raise LogError(
            f"time runs back: {before:g} s is followed by {time_s[at]:g} s.",
            where=f"{name}, row {at + 1} of the frame",
            mend='Sort the frame with sort_values("time_s"); give sessions one by one.',
        )
    return float(time_s[-1])
