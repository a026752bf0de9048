"""The records of one group of an ASAM MDF file, block by block.

A group holds the channels of one rate with their stamps. What the file calls invalid is blank.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.reading.log import Cells, Floats
from tuneassist.reading.numbers import parse_words

Values = npt.NDArray[Any]
"""A channel's values: floats, nan where there is none, or texts."""
STEPS = 500
"""Records by whose stamps a group's rate is judged, however long its blocks are. [1]"""


@dataclass(frozen=True, eq=False)
class Records:
    """Some records of a group.

    Parameters
    ----------
    time_s
        Stamps, shape (n,). [s]
    columns
        Position of a column to its values, shape (n,) each.
    """

    time_s: Floats
    columns: Mapping[int, Values]

    def split(self, count: int) -> tuple[Records, Records]:
        """Part the first records from the rest."""
        first = {i: values[:count] for i, values in self.columns.items()}
        rest = {i: values[count:] for i, values in self.columns.items()}
        return Records(self.time_s[:count], first), Records(self.time_s[count:], rest)

    def followed_by(self, more: Records) -> Records:
        """Put further records behind these."""
        return _joined([self, more])


class GroupReader:
    """Reads the wanted channels of one group, and holds what is not yet taken.

    Parameters
    ----------
    records
        The group's records in their order, some at a time, with stamps.
    wanted
        Positions of the columns that they have.
    rows
        Records that are read at a time at least. [rows]
    most
        Values that are held at most. [1]
    too_many
        Makes the error of more.
    """

    def __init__(
        self,
        records: Iterator[Records],
        *,
        wanted: frozenset[int],
        rows: int,
        most: int,
        too_many: Callable[[], Exception],
    ) -> None:
        self.wanted = wanted
        self._records, self._rows, self._most, self._too_many = records, rows, most, too_many
        empty: Floats = np.empty(0)
        self.held = Records(empty, {})
        self._more()

    @property
    def step_s(self) -> float:
        """Median of the first steps that are held; endless with fewer than two records. [s]"""
        stamps = self.held.time_s[:STEPS]
        steps = np.diff(stamps[np.isfinite(stamps)])
        return float(np.median(steps)) if len(steps) else np.inf

    def take(self, count: int) -> Records:
        """Return the next records, at most so many, and keep one more at least if there is one."""
        while len(self.held.time_s) <= count and self._more():
            pass
        taken, self.held = self.held.split(count)
        return taken

    def take_near(self, last_s: float, next_s: float) -> Records:
        """Return the records up to the middle of two stamps; all if the second is endless."""
        while self._count_near(last_s, next_s) == len(self.held.time_s) and self._more():
            pass
        taken, self.held = self.held.split(self._count_near(last_s, next_s))
        return taken

    def _count_near(self, last_s: float, next_s: float) -> int:
        time_s = self.held.time_s
        is_beyond = time_s - last_s >= next_s - time_s
        return int(np.argmax(is_beyond)) if is_beyond.any() else len(time_s)

    def _more(self) -> bool:
        """Read on, the more the more is held, so that it is not copied time and again."""
        found = [self.held] if len(self.held.time_s) else []
        count = 0
        for records in self._records:
            found.append(records)
            count += len(records.time_s)
            if (len(self.held.time_s) + count) * (1 + len(self.wanted)) > self._most:
                raise self._too_many()
            if count >= max(self._rows, len(self.held.time_s)):
                break
        if count:
            self.held = _joined(found)
        elif not self.held.columns:
            self.held = Records(self.held.time_s, dict.fromkeys(self.wanted, np.empty(0)))
        return count > 0


def _joined(parts: Sequence[Records]) -> Records:
    """Put records behind each other."""
    values = {i: np.concatenate([part.columns[i] for part in parts]) for i in parts[0].columns}
    return Records(np.concatenate([part.time_s for part in parts]), values)


def as_cells(values: Values) -> Cells:
    """Return a column's cells."""
    if values.dtype.kind == "f":
        return Cells(values)
    return parse_words(pd.Series([str(value) for value in values], dtype=str), ".")
