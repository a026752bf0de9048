"""Statistics of unbroken groups: rows of one group follow each other, as in a time line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.grid import Floats

Ints = npt.NDArray[np.int64]
_Scalar = TypeVar("_Scalar", bound=np.generic)

#: A table of one row per group is filled up when it is no more than this many times as large as
#: the values are; groups of very different lengths are left to pandas. [1]
MAX_FILLING = 4


@dataclass(frozen=True, eq=False)
class Groups:
    """Where each group starts and how long it is.

    Parameters
    ----------
    start, count
        First row and number of rows of each group, shape (groups,).
    """

    start: Ints
    count: Ints

    @classmethod
    def of(cls, labels: npt.NDArray[np.int64]) -> Groups:
        """Find the groups of labels of which equal ones stand together.

        Examples
        --------
        >>> Groups.of(np.array([3, 3, 7])).count
        array([2, 1])
        """
        if not len(labels):
            nothing = np.empty(0, dtype=np.int64)
            return cls(nothing, nothing)
        is_first = np.concatenate([[True], labels[1:] != labels[:-1]])
        start = np.flatnonzero(is_first)
        return cls(start, np.diff(np.append(start, len(labels))))

    def spread(self, values: npt.NDArray[_Scalar]) -> npt.NDArray[_Scalar]:
        """Give each row the value of its group."""
        return np.repeat(values, self.count)

    def first(self, values: Floats) -> Floats:
        """Return the first value of each group."""
        return np.asarray(values[self.start])

    def last(self, values: Floats) -> Floats:
        """Return the last value of each group."""
        return np.asarray(values[self.start + self.count - 1])

    def sum(self, values: Floats) -> Floats:
        """Return the sum of each group; there must be groups."""
        return np.asarray(np.add.reduceat(values, self.start))

    def mean(self, values: Floats) -> Floats:
        """Return the mean of each group; there must be groups."""
        return np.asarray(self.sum(values) / self.count)

    def total(self, mask: npt.NDArray[np.bool_]) -> Ints:
        """Count the rows of each group where a mask is true."""
        if not len(self.start):
            return np.empty(0, dtype=np.int64)
        return np.asarray(np.add.reduceat(mask.astype(np.int64), self.start))

    def within(self, keep: npt.NDArray[np.bool_]) -> Groups:
        """Return the same groups, some of them empty, in the rows that are kept."""
        count = self.total(keep)
        return Groups(np.concatenate([[0], np.cumsum(count)[:-1]]).astype(np.int64), count)

    def median(self, values: Floats) -> Floats:
        """Return the median of each group, nan for an empty one.

        Examples
        --------
        >>> Groups.of(np.array([1, 1, 2])).median(np.array([1.0, 2.0, 9.0]))
        array([1.5, 9. ])
        """
        groups, longest = len(self.count), int(self.count.max(initial=0))
        if longest == 0:
            return np.full(groups, np.nan, dtype=np.float64)
        if groups * longest > MAX_FILLING * len(values) + 10_000:
            labels = np.repeat(np.arange(groups), self.count)
            found = pd.Series(values).groupby(labels).median()
            return np.asarray(found.reindex(range(groups)), dtype=np.float64)
        table = np.full((groups, longest), np.inf)
        table[np.arange(longest) < self.count[:, None]] = values
        table.sort(axis=1)
        row = np.arange(groups)
        upper = table[row, np.minimum(self.count // 2, longest - 1)]
        lower = table[row, np.maximum((self.count - 1) // 2, 0)]
        middle = np.where(self.count % 2 == 1, lower, (upper + lower) / 2.0)
        return np.asarray(np.where(self.count > 0, middle, np.nan), dtype=np.float64)
