"""Grid files: a table of percents at the breakpoints, as a spreadsheet opens and saves it.

Written: UTF-8, comma, point, ``\\n``. Read besides: ``;`` or tab with decimal comma, a byte order
mark, ``\\r\\n``, cp1252, and blank cells and rows at the end. An ambiguous number
(thousands separators, percent signs) is refused, never guessed.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tuneassist.arguments import file_path
from tuneassist.errors import GridError
from tuneassist.files.safe_files import read_bounded, snippet
from tuneassist.files.serialise import shortest_number
from tuneassist.grid import MAX_BREAKPOINTS, Axes, Floats, Grid

CORNER = "rpm/load"
"""Content of the first cell."""

MAX_BYTES = 4_000_000
"""Larger files are not grids: the largest one of 4,096 cells, with all its digits and the blank
columns that a spreadsheet may save, takes far less. [byte]"""

AXIS_TOLERANCE = 1e-4
"""Share of the closest spacing by which a breakpoint may differ, since a spreadsheet saves the
digits that it shows. [1]"""

SHOWN = 40
"""Most letters of a cell that a message shows. [1]"""

NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
"""A number as a sheet may hold it."""
NUMBER_STARTS = "+-.,0123456789"
"""A cell that starts otherwise is no number."""
_FIRST_MARK = re.compile(r'[",;\t]')
_BLANKS = " \t\u00a0\u202f"


def write_grid_text(grid: Grid) -> str:
    r"""Write a grid as the content of a grid file.

    Parameters
    ----------
    grid
        The grid; its values are written with all their digits, so round them before.

    Returns
    -------
    str
        First row ``rpm/load`` and the load breakpoints, then an rpm breakpoint and its percents
        per row; an empty cell where there is no value. Encode it as UTF-8.

    Examples
    --------
    >>> axes = Axes(rpm=np.array([800.0, 1200.0]), load=np.array([30.0, 45.5]))
    >>> write_grid_text(Grid(axes, np.array([[0.0, 1.5], [np.nan, -2.0]])))
    'rpm/load,30,45.5\n800,0,1.5\n1200,,-2\n'
    """
    rows = [[CORNER, *map(shortest_number, grid.axes.load)]]
    for rpm, values in zip(grid.axes.rpm, grid.values, strict=True):
        rows.append([shortest_number(rpm), *map(shortest_number, values)])
    return "".join(",".join(row) + "\n" for row in rows)


def read_grid(path: str | Path, *, axes: Axes | None = None) -> Grid:
    """Read a grid file.

    Parameters
    ----------
    path
        The file.
    axes
        Axes that it must have, within `AXIS_TOLERANCE`; the grid then carries these. None takes
        the file's.

    Returns
    -------
    Grid
        Values in percent; nan where a cell is empty. [%]

    Raises
    ------
    GridError
        When the file cannot be read as a grid or has other axes; names row and column.
    """
    file = file_path(path, error=GridError)
    data = read_bounded(file, most=MAX_BYTES, what="a grid", error=GridError)
    return grid_of(data, where=str(file), axes=axes)


def grid_of(data: bytes, *, where: str, axes: Axes | None = None) -> Grid:
    """Read a grid from a file's bytes.

    Parameters
    ----------
    data
        Content of a grid file.
    where
        The file, for messages.
    axes
        As for `read_grid`.
    """
    rows = _Rows(split_rows(decoded(data, where), where), where)
    load = np.array([rows.number(0, column) for column in range(1, rows.width)])
    rpm = np.array([rows.number(row, 0) for row in range(1, len(rows.cells))])
    if axes is not None:
        _compare(rpm, load, axes, where)
    found = axes or Axes(rpm=rpm, load=load, where=where)
    return Grid(found, rows.table())


@dataclass(frozen=True)
class _Rows:
    """Cells of the file as text, with the line on which each row ends."""

    cells: list[tuple[int, list[str]]]
    file: str

    def __post_init__(self) -> None:
        self._check_corner()
        self._check_counts()
        self._check_widths()

    @property
    def width(self) -> int:
        return len(self.cells[0][1])

    def error(self, row: int, column: int, problem: str, mend: str) -> GridError:
        where = f"{self.file}, row {self.cells[row][0]}, column {column + 1}"
        return GridError(problem, where=where, mend=mend)

    def _check_corner(self) -> None:
        corner = self.cells[0][1][0]
        if corner.replace(" ", "").casefold() != CORNER:
            raise self.error(
                0,
                0,
                f'the first cell is "{snippet(corner, SHOWN)}".',
                f'A grid file starts with "{CORNER}" and the load breakpoints; '
                "each further row is an rpm breakpoint and its percents.",
            )

    def _check_counts(self) -> None:
        """Count breakpoints before any is read."""
        if self.width <= MAX_BREAKPOINTS + 1 and len(self.cells) <= MAX_BREAKPOINTS + 1:
            return
        raise GridError(
            f"the grid has {len(self.cells) - 1} rpm rows and {self.width - 1} load columns.",
            where=self.file,
            mend=f"An axis has at most {MAX_BREAKPOINTS} breakpoints.",
        )

    def _check_widths(self) -> None:
        for row, (_, cells) in enumerate(self.cells):
            if len(cells) < self.width:
                raise self.error(
                    row,
                    max(len(cells) - 1, 0),
                    f"the row ends after {len(cells)} of {self.width} cells.",
                    "Give each row one cell per load breakpoint; a cell may be empty, its "
                    "separator may not be missing.",
                )
            extra = [column for column in range(self.width, len(cells)) if cells[column]]
            if extra:
                raise self.error(
                    row,
                    extra[0],
                    f'"{snippet(cells[extra[0]], SHOWN)}" is beyond the last of '
                    f"{self.width - 1} load breakpoints.",
                    "Remove it, or give its column a load breakpoint in the first row.",
                )

    def number(self, row: int, column: int) -> float:
        text = self.cells[row][1][column]
        if not text:
            raise self.error(row, column, "a breakpoint is missing.", "Give its number.")
        if not NUMBER.fullmatch(text):
            raise self.error(
                row,
                column,
                f'"{snippet(text, SHOWN)}" is not a plain number.',
                "Write digits and one decimal mark: no thousands separator, no unit, no % sign; "
                "leave a cell without a value empty.",
            )
        value = float(text)
        if not np.isfinite(value):
            raise self.error(
                row, column, f"{snippet(text, SHOWN)} is too large.", "Write a finite number."
            )
        return value

    def table(self) -> Floats:
        values = np.full((len(self.cells) - 1, self.width - 1), np.nan)
        for row, column in np.ndindex(values.shape):
            if self.cells[row + 1][1][column + 1]:
                values[row, column] = self.number(row + 1, column + 1)
        for row, column in np.argwhere(values <= -100.0)[:1]:
            raise self.error(
                int(row) + 1,
                int(column) + 1,
                f"{values[row, column]:g} % takes away all of the fuel.",
                "Corrections are percents above -100.",
            )
        return values


def decoded(data: bytes, where: str) -> str:
    """Return the text of a sheet: UTF-8, UTF-16 with its mark, or cp1252; without the mark.

    Raises
    ------
    GridError
        When it is not text.
    """
    is_wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    for encoding in ("utf-16",) if is_wide else ("utf-8-sig", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise GridError(
        "the file is not text.", where=where, mend='Save the sheet as "CSV", not as a workbook.'
    )


def _delimiter(text: str) -> str:
    """Return the separator of the first two cells."""
    start = text.lstrip()
    if start.startswith('"'):
        start = start[1:].partition('"')[2].lstrip(" \r\n\u00a0\u202f")
        return start[:1] if start[:1] in (",", ";", "\t") else ","
    found = _FIRST_MARK.search(start)
    return found.group() if found and found.group() != '"' else ","


def split_rows(
    text: str, file: str, *, start: str = f'A grid file starts with "{CORNER}".'
) -> list[tuple[int, list[str]]]:
    """Split a sheet into rows of cells with a decimal point, less the blank ones at the end.

    Parameters
    ----------
    text
        The sheet, as `decoded`.
    file
        The file, for messages.
    start
        What the sheet should start with, as a sentence.

    Returns
    -------
    list
        The line on which each row ends, and its cells.

    Raises
    ------
    GridError
        When it is empty, a row cannot be split, or a comma could be two things.
    """
    if not text.strip(_BLANKS + ",;\r\n"):
        raise GridError("the file is empty.", where=file, mend=start)
    delimiter = _delimiter(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[tuple[int, list[str]]] = []
    try:
        rows.extend((reader.line_num, [cell.strip(_BLANKS) for cell in row]) for row in reader)
    except csv.Error as error:
        raise GridError(
            f"the row cannot be split into cells: {error}.",
            where=f"{file}, row {reader.line_num}",
            mend='Look for a stray quotation mark (").',
        ) from error
    while len(rows) > 1 and not any(rows[-1][1]):
        rows.pop()
    header = rows[0][1] or [""]
    while len(header) > 1 and not header[-1]:
        header.pop()
    rows[0] = (rows[0][0], header)
    return _with_point(rows, delimiter, file)


def _with_point(
    rows: list[tuple[int, list[str]]], delimiter: str, file: str
) -> list[tuple[int, list[str]]]:
    """Turn decimal commas into points, where the file uses them unambiguously."""
    marked = _first_marks(rows)
    if "," not in marked:
        return rows
    line, column = marked[","]
    if delimiter == "," or "." in marked:
        raise GridError(
            "a comma inside a cell could be a decimal comma or a thousands separator.",
            where=f"{file}, row {line}, column {column}",
            mend="Save with a decimal point, or with decimal commas and ; between the cells, "
            "and without thousands separators.",
        )
    return [(n, [cell.replace(",", ".") for cell in row]) for n, row in rows]


def _first_marks(rows: list[tuple[int, list[str]]]) -> dict[str, tuple[int, int]]:
    marks: dict[str, tuple[int, int]] = {}
    for line, row in rows:
        for column, cell in enumerate(row, start=1):
            for mark in ",.":
                if mark in cell and cell[0] in NUMBER_STARTS:
                    marks.setdefault(mark, (line, column))
    return marks


def _compare(rpm: Floats, load: Floats, axes: Axes, file: str) -> None:
    got = (len(rpm), len(load))
    if got != axes.shape:
        raise GridError(
            f"the grid has {got[0]} rpm rows and {got[1]} load columns; the setup's axes have "
            f"{axes.shape[0]} and {axes.shape[1]}.",
            where=file,
            mend="Use a grid made for this setup.",
        )
    for name, found, wanted in (("rpm", rpm, axes.rpm), ("load", load, axes.load)):
        slack = AXIS_TOLERANCE * np.diff(wanted).min()
        for place in np.flatnonzero(np.abs(found - wanted) > slack)[:1]:
            spot = f"row {place + 2}, column 1" if name == "rpm" else f"row 1, column {place + 2}"
            raise GridError(
                f"{name} breakpoint {place + 1} is {shortest_number(found[place])}; the setup's "
                f"axes.{name} has {shortest_number(wanted[place])}.",
                where=f"{file}, {spot}",
                mend="Use a grid made for this setup.",
            )
