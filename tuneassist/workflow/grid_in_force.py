"""The grid in force: read as the whole grid of the controller, a proposal's step refused."""

from __future__ import annotations

from pathlib import Path

from tuneassist.errors import GridError
from tuneassist.files.grid_file import read_grid
from tuneassist.grid import Axes, Grid


def read_in_force(path: Path, axes: Axes) -> Grid:
    """Read the grid that the controller held while the logs were recorded.

    Parameters
    ----------
    path
        The file.
    axes
        The setup's axes.

    Raises
    ------
    GridError
        When it cannot be read, or is the step of a proposal.
    """
    refuse_step_file(path)
    return read_grid(path, axes=axes)


def refuse_step_file(path: Path) -> None:
    """Refuse the step of a proposal: the controller never holds a step, but a whole grid.

    It is known by its name and by the files of a proposal beside it.

    Raises
    ------
    GridError
        With the file that was meant.
    """
    whole, record = (path.with_name(name) for name in ("grid.csv", "proposal.json"))
    if path.name == "step.csv" and whole.is_file() and record.is_file():
        raise GridError(
            "this is the step of a proposal, not what the controller holds.",
            where=str(path),
            mend=f"If that proposal was typed in, the grid in force is {whole}.",
        )
