"""The folder of a grid that a step brought in: loaded after edits by hand, or brought back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tuneassist.errors import InputError
from tuneassist.files.grid_file import grid_of, write_grid_text
from tuneassist.files.round_files import RoundFiles, differing_cell
from tuneassist.files.serialise import stable_json
from tuneassist.files.tune_layout import CHANGE
from tuneassist.grid import Axes, Grid
from tuneassist.loop.history_changes import GridEntry

GRID = "grid.csv"
AS_WRITTEN = "as-written.csv"
"""A second copy, since a person opens `GRID` in a spreadsheet, which may save it again."""
PUT_BACK = "Restore it from a copy, or take the step back with `tuneassist rounds undo`."


def grid_contents(grid: Grid, entry: GridEntry, breaches: tuple[str, ...]) -> dict[str, str]:
    """Return the contents of the folder by file name.

    Parameters
    ----------
    grid
        The whole grid. [%]
    entry
        Its entry, without files.
    breaches
        Every rule that it breaks, in words.
    """
    record: dict[str, Any] = {
        "made": entry.made,
        "of": entry.of,
        "source": entry.source,
        "breaches": list(breaches),
        "despite": entry.despite,
    }
    text = write_grid_text(grid)
    return {GRID: text, AS_WRITTEN: text, CHANGE: stable_json(record)}


def read_brought_in(tune: Path, entry: GridEntry, axes: Axes) -> Grid:
    """Read the grid back.

    Parameters
    ----------
    tune
        The tune's folder.
    entry
        The grid's entry in the history.
    axes
        The setup's axes.

    Raises
    ------
    InputError
        When a file is missing, was changed, or holds other values than were written.
    """
    files = RoundFiles(tune / entry.name, dict(entry.files), PUT_BACK)
    files.read(CHANGE)
    written = files.grid(AS_WRITTEN, axes)
    shown = grid_of(files.bytes_of(GRID), where=str(files.folder / GRID), axes=axes)
    if cell := differing_cell(shown, written):
        raise InputError(
            f"this grid was changed since it was recorded: {cell}.",
            where=str(files.folder / GRID),
            mend=f"{PUT_BACK} What is loaded now is recorded with `tuneassist rounds accept "
            "--grid`.",
        )
    return written
