"""Grid files: a table of percents at the breakpoints, as a spreadsheet opens and saves it.

Written: UTF-8, comma, point, ``\\n``. Read besides: ``;`` or tab with decimal comma, a byte order
mark, ``\\r\\n``, cp1252, and blank cells and rows at the end. A number that could be meant in two
ways (thousands separators, percent signs) is refused, never guessed.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tuneassist.errors import GridError
from tuneassist.files.text import shortest_number
from tuneassist.grid import Axes, Floats, Grid
from tuneassist.inert import told

CORNER = "rpm/load"
"""What the first cell of the first row says."""

MAX_BYTES = 4_000_000
SHOWN = 40
"""Characters of a cell in a message. [1]"""
"""Larger files are no grids: 200 x 200 cells of 20 characters take 0.8 MB. [byte]"""

AXIS_TOLERANCE = 1e-4
"""Share of the closest spacing by which a breakpoint may differ, since a spreadsheet saves the
digits that it shows. [1]"""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_HEADER = re.compile(r'\s*(?:"[^"]*"|[^",;\t]*)\s*([,;\t])')
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


def read_grid(path: Path, *, axes: Axes | None = None) -> Grid:
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
    rows = _Rows(_cells(_text(path), str(path)), str(path))
    load = np.array([rows.number(0, column) for column in range(1, rows.width)])
    rpm = np.array([rows.number(row, 0) for row in range(1, len(rows.cells))])
    if axes is not None:
        _compare(rpm, load, axes, str(path))
    found = axes or Axes(rpm=rpm, load=load, where=str(path))
    return Grid(found, rows.table())


@dataclass(frozen=True)
class _Rows:
    """Cells of the file as text, with the line on which each row ends."""

    cells: list[tuple[int, list[str]]]
    file: str

    def __post_init__(self) -> None:
        self._check_corner()
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
                f'the first cell says "{_shown(corner)}".',
                f'A grid file starts with "{CORNER}" and the load breakpoints; '
                "each further row is an rpm breakpoint and its percents.",
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
                    f'"{_shown(cells[extra[0]])}" stands beyond the last of '
                    f"{self.width - 1} load breakpoints.",
                    "Remove it, or give its column a load breakpoint in the first row.",
                )

    def number(self, row: int, column: int) -> float:
        text = self.cells[row][1][column]
        if not text:
            raise self.error(row, column, "a breakpoint is missing.", "Give its number.")
        if not _NUMBER.fullmatch(text):
            raise self.error(
                row,
                column,
                f'"{_shown(text)}" is not a plain number.',
                "Write digits and one decimal mark: no thousands separator, no unit, no % sign; "
                "leave a cell without a value empty.",
            )
        value = float(text)
        if not np.isfinite(value):
            raise self.error(row, column, f"{_shown(text)} is too large.", "Write a finite number.")
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


def _shown(text: str) -> str:
    """Shorten a cell for a message, without marks that a terminal would act on."""
    return told(text, SHOWN)


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise GridError(
                "the file is too large to be a grid.",
                where=str(path),
                mend=f"A grid takes less than {MAX_BYTES / 1e6:g} MB.",
            )
        data = path.read_bytes()
    except OSError as error:
        raise GridError(
            f"the file cannot be read: {error.strerror or error}.", where=str(path)
        ) from error
    is_wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    for encoding in ("utf-16",) if is_wide else ("utf-8-sig", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise GridError(
        "the file is not text.", where=str(path), mend='Save the sheet as "CSV", not as a workbook.'
    )


def _cells(text: str, file: str) -> list[tuple[int, list[str]]]:
    """Split into rows of cells with a decimal point, less the blank ones at the end."""
    if not text.strip(_BLANKS + ",;\r\n"):
        raise GridError(
            "the file is empty.", where=file, mend=f'A grid file starts with "{CORNER}".'
        )
    found = _HEADER.match(text)
    delimiter = found.group(1) if found else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[tuple[int, list[str]]] = []
    try:
        rows.extend((reader.line_num, [cell.strip(_BLANKS) for cell in row]) for row in reader)
    except csv.Error as error:
        raise GridError(
            f"the row cannot be split into cells: {error}.",
            where=f"{file}, row {reader.line_num}",
            mend='Check the quotation marks (").',
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
    """Turn decimal commas into points, where the file uses them and they can mean nothing else."""
    marked = _first_marks(rows)
    if "," not in marked:
        return rows
    line, column = marked[","]
    if delimiter == "," or "." in marked:
        raise GridError(
            "a comma inside a cell could be a decimal comma or part of a thousand.",
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
                if mark in cell:
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
