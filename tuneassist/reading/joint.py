"""Readings of one rate put on the rows of another: nothing made up, no side leaned to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tuneassist.reading.log import Floats
from tuneassist.reading.records import Records, Values


@dataclass(frozen=True, eq=False)
class Around:
    """Records near some rows, with one more on either side where there is one.

    Parameters
    ----------
    records
        All of them.
    own
        Which of them belong to the rows.
    """

    records: Records
    own: slice

    @classmethod
    def of(cls, before: Records | None, own: Records, after: Records) -> Around:
        """Put the record before and the first of those after around the rows' own."""
        start = len(before.time_s) if before else 0
        both = before.followed_by(own) if before else own
        return cls(both.followed_by(after.split(1)[0]), slice(start, start + len(own.time_s)))

    def last(self) -> Records:
        """Return the last record that is not beyond the rows."""
        return self.records.split(self.own.stop)[0].split(max(0, self.own.stop - 1))[1]


@dataclass(frozen=True)
class Joint:
    """How far a value may stand from where it was read.

    Parameters
    ----------
    row_s, own_s
        Median step of the rows and of the channel. [s]
    """

    row_s: float
    own_s: float

    SIMILAR = 1.5
    """A channel whose step is longer than this many rows is slower than they are. [1]"""
    WAVER = 1.5
    """Stamps of like rates waver: a row may reach so many half steps for a value. [1]"""

    @property
    def reach_s(self) -> float:
        """Half a step, the rows' or the channel's own. [s]"""
        return 0.5 * max(self.row_s, self.own_s, 2e-9) * (1.0 + 1e-9)

    @property
    def far_s(self) -> float:
        """How far a row left blank may reach, nil for a slower channel. [s]"""
        return self.WAVER * self.reach_s if self.own_s <= self.SIMILAR * self.row_s else 0.0


def join(near: Around, values: Values, line_s: Floats, rule: Joint, *, peak: int = 0) -> Values:
    """Put a channel's values on another time line without making a value up.

    Each value goes to its nearest row. Where stamps of like rates waver, two values meet at a row
    and the next has none: that one takes the value nearest to it, which may stand twice.

    Parameters
    ----------
    near
        The channel's stamps. [s]
    values
        What was logged at them, shape (n,).
    line_s
        Stamps of the rows, rising, shape (rows,). [s]
    rule
        How far a value may be moved.
    peak
        Of several values for a row the nearest counts (0), the highest (1) or the lowest (-1).

    Returns
    -------
    array of shape (rows,)
        Blank where the channel has nothing.
    """
    is_text = values.dtype.kind == "O"
    out: Values = (
        np.full(len(line_s), "", dtype=object) if is_text else np.full(len(line_s), np.nan)
    )
    time_s = near.records.time_s
    if not len(line_s) or not len(time_s):
        return out
    row = _nearest(time_s[near.own], line_s)
    away = np.abs(line_s[row] - time_s[near.own])
    at = np.flatnonzero(away <= rule.reach_s)
    at = at[np.argsort(-away[at], kind="stable")]  # the nearest is written last
    out[row[at]] = values[near.own][at]
    if peak and not is_text:
        highest = np.full(len(line_s), np.nan)
        np.fmax.at(highest, row[at], peak * values[near.own][at])
        out = peak * highest
    is_blank = np.ones(len(line_s), dtype=bool)
    is_blank[row[at]] = False
    blank = np.flatnonzero(is_blank)
    found = _nearest(line_s[blank], time_s)
    is_near = np.abs(time_s[found] - line_s[blank]) <= rule.far_s
    out[blank[is_near]] = values[found[is_near]]
    return out


def _nearest(time_s: Floats, line_s: Floats) -> npt.NDArray[np.intp]:
    """Return the place of the stamp in the line that is nearest to each moment."""
    after = np.clip(np.searchsorted(line_s, time_s), 0, len(line_s) - 1)
    before = np.maximum(after - 1, 0)
    return np.where(time_s - line_s[before] < line_s[after] - time_s, before, after)
