"""The result of reading: a log with its samples, and what was recognised, corrected and dropped."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.units import UNITS

Floats = npt.NDArray[np.float64]
Progress = Callable[[float], None]
"""Called with the share done, 0 to 1."""

UnitHow = Literal["setup", "header", "values", "inside", ""]


@dataclass(frozen=True)
class ColumnReport:
    """How one column was read; a column that serves two channels has two reports.

    Parameters
    ----------
    header
        As the logger wrote it.
    channel
        Channel name; None where the column was not recognised or not used.
    unit
        Unit word as read; empty where none was needed.
    unit_inside
        Unit after conversion.
    how
        "setup" for an entry of ``[channels]``, "header" for a match of words.
    unit_how
        Where the unit comes from: "setup", "header", "values" (only one unit fits them) or
        "inside" (every unit gives the same, or there is only one).
    blank
        Cells without a usable number. [rows]
    low, high
        Lowest and highest value after conversion; nan where there is none. [``unit_inside``]
    """

    header: str
    channel: str | None
    unit: str = ""
    unit_inside: str = ""
    how: Literal["setup", "header", ""] = ""
    unit_how: UnitHow = ""
    blank: int = 0
    low: float = float("nan")
    high: float = float("nan")


@dataclass(frozen=True)
class Dialect:
    """How the file was written.

    Parameters
    ----------
    encoding
        Text encoding.
    delimiter, decimal
        Between cells, and inside numbers.
    header_line, data_line
        Line of the header and of the first row of numbers, counted from 1.
    """

    encoding: str = ""
    delimiter: str = ""
    decimal: str = "."
    header_line: int = 1
    data_line: int = 2


@dataclass(frozen=True, eq=False)
class Log:
    """One log, in the units inside.

    Parameters
    ----------
    name, path
        File name, and where it was.
    sha256
        Of the file's bytes.
    samples
        One row per usable row of the file; columns as in `tuneassist.channels`, one for each
        channel that was found, and ``row``, the line in the file.
    columns
        One report per column of the file.
    dropped
        Reason and number of rows, for each reason that took any.
    notes
        Notes on what was corrected or assumed.
    rows_read
        Rows of data in the file, before any were dropped.
    dialect
        How the file was written.
    preamble
        Lines above the header, or what the file says about itself; the first of them.
    rows_kept
        Rows that became samples; of a log that was read part by part, more than ``samples`` has.
    span_s, step_s
        Time from the first to the last sample, and the median step of the first part. [s]
    """

    name: str
    path: Path
    sha256: str
    samples: pd.DataFrame
    columns: tuple[ColumnReport, ...]
    dropped: tuple[tuple[str, int], ...]
    notes: tuple[str, ...]
    rows_read: int
    dialect: Dialect
    preamble: tuple[str, ...] = ()
    rows_kept: int = 0
    span_s: float = 0.0
    step_s: float = float("nan")

    @property
    def units(self) -> dict[str, str]:
        """Unit of each channel that has a known one, of the first of its columns."""
        return {
            column.channel: column.unit
            for column in reversed(self.columns)
            if column.channel is not None and column.unit in UNITS
        }


@dataclass(frozen=True, eq=False)
class Cells:
    """One column's cells as numbers.

    Parameters
    ----------
    numbers
        In the file's unit; nan where blank or not a number.
    words
        The cells as text, where the column does not hold plain numbers throughout.
    text_count
        Cells that hold neither a number nor nothing.
    text_example
        Position and content of the first such cell.
    stamp
        "moment" or "clock" where the file's own type says that the numbers are times: seconds, or
        seconds since midnight.
    beyond
        Readings that lie beyond the sensor's transfer and became nan.
    """

    numbers: Floats
    words: pd.Series[str] | None = None
    text_count: int = 0
    text_example: tuple[int, str] = (0, "")
    stamp: Literal["", "moment", "clock"] = ""
    beyond: int = 0


@dataclass(frozen=True)
class Wanted:
    """Which columns are to be read, by position.

    Parameters
    ----------
    indices
        All of them.
    as_text
        Those that are wanted as they are written, numbers included.
    main
        Those of speed, load and lambda, whose rates set the time line where rates differ.
    peaks
        Those of which the highest of several readings counts (+1), or the lowest (-1), since the
        column falls where the channel rises.
    """

    indices: tuple[int, ...]
    as_text: frozenset[int] = frozenset()
    main: frozenset[int] = frozenset()
    peaks: Mapping[int, int] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Piece:
    """Some rows of a log.

    Parameters
    ----------
    lines
        Line in the file (or record number), counted from 1, of every row. Shape (rows,).
    cells
        Position of a column to what stands in it.
    dropped, notes
        As in `Log`, for these rows.
    """

    lines: npt.NDArray[np.int64]
    cells: Mapping[int, Cells]
    dropped: tuple[tuple[str, int], ...] = ()
    notes: tuple[str, ...] = ()


class Parts(Protocol):
    """A log file part by part, before its columns mean anything; one class for each format.

    Parameters
    ----------
    headers
        Header and unit cell of every column; the unit cell is empty where there is no unit row.
    dialect, preamble
        As in `Log`.
    """

    @property
    def headers(self) -> tuple[tuple[str, str], ...]:
        """Header and unit cell of every column."""
        ...

    @property
    def dialect(self) -> Dialect:
        """How the file was written."""
        ...

    @property
    def preamble(self) -> tuple[str, ...]:
        """Lines above the header."""
        ...

    def pieces(self, wanted: Wanted) -> Generator[Piece, None, None]:
        """Read the log from its start, one part at least."""
