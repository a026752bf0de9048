"""A column watched over all parts of a long log, so that it is refused as it would be in one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tuneassist.errors import LogError
from tuneassist.reading.columns import Column, check_possible, extend_column
from tuneassist.reading.guard import check_texts
from tuneassist.reading.judge import check_values
from tuneassist.reading.log import Cells, Floats
from tuneassist.settings import Setup

MOST_JUDGED = 50_000
"""Values of a column that are kept for judging its unit, evenly over the log: a share of 1 % is
then told to 0.05 %. [1]"""


class Texts:
    """Counts a column's cells of text, over parts."""

    def __init__(self) -> None:
        self.count = self._numbers = 0
        self._first = (0, "")

    def add(self, cells: Cells, lines: npt.NDArray[np.int64], numbers: int) -> None:
        """Count a part's cells, of which so many are numbers."""
        if cells.text_count and not self.count:
            self._first = (int(lines[cells.text_example[0]]), cells.text_example[1])
        self.count += cells.text_count
        self._numbers += numbers

    def check(self, where: str) -> None:
        """Refuse a column of words."""
        line, example = self._first
        check_texts(self.count, self._numbers, example, where=f"{where}, row {line}")


class Watch:
    """What the checks of a column must know of a whole log.

    Parameters
    ----------
    column
        As the first part settled it.
    """

    def __init__(self, column: Column) -> None:
        self._column = column
        self._kept: list[Floats] = []
        self._count, self._stride = 0, 1
        self._given = self.wrong = self.beyond = 0
        self._first_wrong = float("nan")
        self.texts = Texts()

    def add(self, cells: Cells, lines: npt.NDArray[np.int64]) -> Floats:
        """Convert a part's cells and count them.

        Parameters
        ----------
        cells
            The part's cells in the pick's unit.
        lines
            Their lines in the file.

        Returns
        -------
        numpy.ndarray
            In the unit inside, nan where there is no measurement.
        """
        values, wrong = extend_column(self._column, cells.numbers)
        if len(wrong) and not self.wrong:
            self._first_wrong = float(wrong[0])
        self.wrong += len(wrong)
        self.beyond += cells.beyond
        self.texts.add(cells, lines, self._keep(cells.numbers))
        return values

    def check(self, setup: Setup | None, name: str) -> None:
        """Hold the whole column against what its first part was held against.

        Raises
        ------
        LogError
            As `tuneassist.reading.columns.build_column`.
        """
        pick = self._column.pick
        where = f"{name}, column {pick.heading.text!r}"
        self.texts.check(where)
        try:
            check_values(pick, np.concatenate([np.empty(0), *self._kept]), setup, where=where)
        except LogError as error:  # the first part was what its unit says
            raise LogError(
                f"the log begins in {pick.unit or 'its unit'}, and what follows does not fit that: "
                "unit or sensor changed in mid-log.",
                where=where,
                mend="Split the log where it changes, or export it again in one unit.",
            ) from error
        check_possible(self._column, self.wrong, self._given, self._first_wrong, where=where)

    def _keep(self, numbers: Floats) -> int:
        """Keep some of a part's values for judging; returns how many are finite."""
        is_full = bool(np.isfinite(numbers.sum()))
        given = numbers if is_full else numbers[~np.isnan(numbers)]
        self._given += len(given)
        kept = given[:: self._stride].copy()
        self._kept.append(kept)
        self._count += len(kept)
        while self._count > MOST_JUDGED:
            self._kept = [np.concatenate(self._kept)[::2]]
            self._count = len(self._kept[0])
            self._stride *= 2
        return len(given) if is_full else int(np.isfinite(given).sum())
