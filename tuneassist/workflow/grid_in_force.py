"""Read the grid in force, and refuse the step of a proposal in its place."""

from __future__ import annotations

from pathlib import Path

from tuneassist.errors import GridError
from tuneassist.files.grid_file import read_grid
from tuneassist.grid import Axes, Grid


def read_in_force(path: Path, axes: Axes) -> Grid:
    """Read the grid that was in the controller while the logs were recorded.

    Parameters
    ----------
    path
        The file.
    axes
        The setup's axes.

    Raises
    ------
    GridError
        When the file cannot be read, or is the step of a proposal.
    """
    refuse_step_file(path)
    return read_grid(path, axes=axes)


def refuse_step_file(path: Path) -> None:
    """Refuse the step of a proposal: the controller holds a whole grid, never a step.

    A step is recognised by its file name and by the proposal's other files beside it.

    Parameters
    ----------
    path
        The file.

    Raises
    ------
    GridError
        When it is a step; the message names the grid to use.
    """
    whole, record = (path.with_name(name) for name in ("grid.csv", "proposal.json"))
    if path.name == "step.csv" and whole.is_file() and record.is_file():
        raise GridError(
            "this is the step of a proposal, not the grid in the controller.",
            where=str(path),
            mend=f"If that proposal was loaded, the grid in force is {whole}.",
        )
