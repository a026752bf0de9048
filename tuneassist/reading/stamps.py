"""Time stamps that are written as a clock: text to seconds, carried on past midnight."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tuneassist.reading.log import Cells, Floats

_DAY_S, _HOUR_S = 86400.0, 3600.0
_STAMP = (
    r"^(?:.*[\sT])?(?P<h>\d{1,3}):(?P<m>\d{2})(?::(?P<s>\d{2}))?(?P<f>[.,:]\d+)?"
    r"\s*(?P<half>[APap]\.?[Mm]\.?)?(?:Z|[+-]\d{2}:?\d{2})?$"
)


@dataclass(frozen=True, eq=False)
class Stamps:
    """Text stamps read as a clock.

    Parameters
    ----------
    seconds
        Seconds since the day's (or hour's) start; nan where there is no stamp. [s]
    wrap_s
        What the clock starts again after. [s]
    """

    seconds: Floats
    wrap_s: float

    @property
    def note(self) -> str:
        """A sentence about the reading."""
        if self.wrap_s == _HOUR_S:
            return "Time stamps of two parts were read as minutes and seconds."
        return "Time stamps were read as a clock, in seconds since the first."


def parse_stamps(cells: Cells, *, wrap_s: float | None = None) -> Stamps | None:
    """Read clock stamps; None when the column holds none.

    Parameters
    ----------
    cells
        The column.
    wrap_s
        What the stamps of an earlier part start again after; None finds it. [s]
    """
    if cells.words is None or cells.text_count < 0.5 * max(1, int((cells.words != "").sum())):
        return None
    parts = cells.words.str.extract(_STAMP)
    is_stamp = parts["h"].notna().to_numpy(dtype=bool)
    if is_stamp.sum() < 0.5 * cells.text_count:
        return None
    first, second = (pd.to_numeric(parts[k], errors="coerce").to_numpy(float) for k in "hm")
    third = pd.to_numeric(parts["s"], errors="coerce").to_numpy(float)
    tail = pd.to_numeric("0." + parts["f"].str[1:], errors="coerce").fillna(0.0).to_numpy(float)
    if wrap_s is None:
        wrap_s = _HOUR_S if np.isnan(third[is_stamp]).all() else _DAY_S
    if wrap_s == _HOUR_S:
        seconds = 60.0 * first + second + tail
    else:
        is_short = np.isnan(third)
        late = parts["half"].fillna("").str.upper().str.startswith("P").to_numpy(dtype=bool)
        has_half = parts["half"].notna().to_numpy(dtype=bool)
        hour = np.where(has_half, first % 12 + 12 * late, first)
        seconds = hour * _HOUR_S + 60.0 * second + np.where(is_short, 0.0, third) + tail
    return Stamps(np.where(is_stamp, seconds, np.nan), wrap_s)


def carried_on(stamps: Stamps, last_s: float | None = None) -> Floats:
    """Carry clock stamps on past midnight.

    Parameters
    ----------
    stamps
        As `parse_stamps` gave them.
    last_s
        The last stamp of an earlier part; None where this is the first. [s]

    Returns
    -------
    numpy.ndarray
        nan where there is no stamp. [s]
    """
    is_stamp = np.isfinite(stamps.seconds)
    good = stamps.seconds[is_stamp]
    if not len(good):
        return stamps.seconds
    before = good[0] if last_s is None else last_s
    turns = np.cumsum(np.diff(good, prepend=before) < -0.5 * stamps.wrap_s)
    out = np.full(len(stamps.seconds), np.nan)
    out[is_stamp] = good + stamps.wrap_s * turns
    return out
