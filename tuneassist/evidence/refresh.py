"""Which logged values are new: a polled logger repeats old ones, and a repeat is not steadiness.

Loggers that ask for one channel per row, or whose channels come at different rates, fill the other
columns with the last known value. Taken at its word such a column looks perfectly steady for
several rows. Here each channel's refresh interval is found from the rows at which it changes, and
the channels are brought to one common time line of values that were really measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.grid import Floats

#: Share of the gaps between changes that may be shorter than the refresh interval. A polled
#: channel never changes early; quantised noise does so at once in a large share of its steps.
EARLY_CHANGE_SHARE = 0.05
#: A channel that is filled in a smaller share of the rows is blank between its values. [1]
MOST_FILLED = 0.7
#: Fewest changes from which a refresh interval is inferred.
MIN_CHANGES = 20


@dataclass(frozen=True)
class Refresh:
    """How often the main channels are renewed in a log.

    Parameters
    ----------
    rows
        Channel column to its refresh interval. [rows]
    interval_s
        Median time between rows of the common time line. [s]
    """

    rows: dict[str, int]
    interval_s: float

    @property
    def is_polled(self) -> bool:
        """Whether any main channel repeats old values."""
        return any(interval > 1 for interval in self.rows.values())


def change_rows(values: Floats) -> npt.NDArray[np.int64]:
    """Rows whose finite value differs from the last finite one; the first such row counts."""
    finite = np.flatnonzero(np.isfinite(values))
    if finite.size == 0:
        return finite
    is_new = np.concatenate([[True], np.diff(values[finite]) != 0])
    return np.asarray(finite[is_new], dtype=np.int64)


def refresh_interval(values: Floats) -> int:
    """Rows between renewals of a channel, 1 where every row is new.

    Parameters
    ----------
    values
        A channel as logged, shape (n,).

    Returns
    -------
    int
        The interval that nearly all gaps between changes reach. [rows]

    Examples
    --------
    >>> refresh_interval(np.repeat(np.arange(100.0) % 7, 5))
    5
    >>> refresh_interval(np.arange(100.0))
    1
    """
    changed = change_rows(values)
    if changed.size < MIN_CHANGES:
        return 1
    gaps = np.diff(changed)
    return max(1, int(np.quantile(gaps, EARLY_CHANGE_SHARE, method="lower")))


def _renewed(values: Floats, interval: int) -> npt.NDArray[np.int64]:
    """Rows taken as renewed: the changes, and every ``interval`` rows while nothing changes."""
    changed = change_rows(values)
    if interval == 1 or changed.size == 0 or _is_told_by_blanks(values, changed):
        return np.flatnonzero(np.isfinite(values))
    rows = np.arange(len(values))
    last_change = changed[np.clip(np.searchsorted(changed, rows, side="right") - 1, 0, None)]
    is_due = (rows >= changed[0]) & ((rows - last_change) % interval == 0)
    return np.flatnonzero(is_due & np.isfinite(values))


def renewed_rows(values: Floats) -> npt.NDArray[np.int64]:
    """Rows of a channel that were measured and do not repeat the row before, as far as it shows."""
    return _renewed(values, refresh_interval(values))


def _is_told_by_blanks(values: Floats, changed: npt.NDArray[np.int64]) -> bool:
    """Whether a channel is blank between its values and repeats none: each is a measurement.

    Rates that do not divide each other leave blanks of uneven length, which no fixed interval fits.
    """
    finite = np.flatnonzero(np.isfinite(values))
    if len(finite) > MOST_FILLED * len(values):
        return False
    place = np.searchsorted(finite, changed)
    early = np.quantile(np.diff(place), EARLY_CHANGE_SHARE, method="lower") if len(place) > 1 else 1
    return bool(early <= 1)


def find_refresh(
    columns: Mapping[str, Floats], *, max_gap_s: float
) -> tuple[Refresh, dict[str, float]]:
    """Find out how often the main channels are renewed, the slowest of which sets the time line.

    Parameters
    ----------
    columns
        ``time_s`` (rising) and the main channels of a log's first part, one value per log row.
    max_gap_s
        Values are interpolated between neighbours no farther apart than this, or than three
        refresh intervals. [s]

    Returns
    -------
    refresh, reaches
        What was found, and how far each main channel is interpolated. [s]
    """
    time_s = columns["time_s"]
    main = {name: values for name, values in columns.items() if name != "time_s"}
    intervals = {name: refresh_interval(values) for name, values in main.items()}
    reaches = {
        name: reach_s(time_s[_renewed(values, intervals[name])], max_gap_s)
        for name, values in main.items()
    }
    kept = _kept_rows(main, intervals)
    at_s = time_s if kept is None else time_s[kept]
    step_s = float(np.median(np.diff(at_s))) if len(at_s) > 1 else float("nan")
    return Refresh(rows=intervals, interval_s=step_s), reaches


def _kept_rows(
    columns: Mapping[str, Floats], intervals: Mapping[str, int]
) -> npt.NDArray[np.int64] | None:
    """Rows at which the slowest main channel is renewed; None for all rows."""
    slowest = max(intervals, key=lambda name: intervals[name])
    interval = intervals[slowest]
    return _renewed(columns[slowest], interval) if interval > 1 else None


def on_time_line(
    columns: Mapping[str, Floats], refresh: Refresh, reaches: Mapping[str, float]
) -> tuple[npt.NDArray[np.int64] | None, dict[str, Floats]]:
    """Bring a log, or a part of it, to the time line that its first part has shown.

    Parameters
    ----------
    columns
        ``time_s``, the main channels as logged, and others without blanks between their values.
    refresh, reaches
        What `find_refresh` has found.

    Returns
    -------
    rows, line
        Rows that are kept, None for all of them; and the columns on these rows. Other channels
        keep the value of their row.
    """
    time_s, intervals = columns["time_s"], refresh.rows
    keep = _kept_rows(columns, intervals)
    if keep is None and all(np.isfinite(columns[name].sum()) for name in intervals):
        return None, dict(columns)
    at = slice(None) if keep is None else keep
    line = {name: values[at] for name, values in columns.items()}
    for name, interval in intervals.items():
        rows = _renewed(columns[name], interval)
        line[name] = _interpolate(time_s[at], time_s[rows], columns[name][rows], reaches[name])
    return keep, line


def carried_forward(values: Floats, before: float = float("nan")) -> Floats:
    """Fill blanks with the last known value, which may be that of an earlier part.

    Examples
    --------
    >>> carried_forward(np.array([np.nan, 2.0, np.nan]), 1.0).tolist()
    [1.0, 2.0, 2.0]
    """
    if np.isfinite(values.sum()):
        return values
    filled = pd.Series(np.concatenate([[before], values])).ffill()
    return filled.to_numpy(dtype=float)[1:]


def reach_s(time_s: Floats, max_gap_s: float) -> float:
    """How far apart renewed values may be and still be interpolated between. [s]"""
    if len(time_s) < 2:
        return max_gap_s
    return max(max_gap_s, 3.0 * float(np.median(np.diff(time_s))))


def with_places(samples: pd.DataFrame, *, max_gap_s: float) -> pd.DataFrame:
    """Give rows of other channels the speed and load between which they were logged.

    Where speed or load is blank in most rows (channels of several rates, or one channel to a row)
    a peak of another channel would fall into no cell. Elsewhere the samples are returned as they
    are.
    """
    time_s = samples["time_s"].to_numpy(dtype=float)
    places = {}
    for name in ("rpm", "load"):
        values = samples[name].to_numpy(dtype=float)
        known = np.flatnonzero(np.isfinite(values))
        if len(known) <= MOST_FILLED * len(values):
            reach = reach_s(time_s[known], max_gap_s)
            places[name] = _interpolate(time_s, time_s[known], values[known], reach)
    return samples.assign(**places) if places else samples


def _interpolate(at_s: Floats, time_s: Floats, values: Floats, reach: float) -> Floats:
    if len(time_s) < 2:
        return np.full(len(at_s), np.nan)
    if len(time_s) == len(at_s) and np.array_equal(time_s, at_s):
        return values.copy()
    after = np.clip(np.searchsorted(time_s, at_s), 1, len(time_s) - 1)
    is_exact = (time_s[after] == at_s) | (time_s[after - 1] == at_s)
    is_near = (time_s[after] - time_s[after - 1] <= reach) | is_exact
    inside = (at_s >= time_s[0]) & (at_s <= time_s[-1])
    return np.where(is_near & inside, np.interp(at_s, time_s, values), np.nan)
