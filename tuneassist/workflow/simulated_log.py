"""Drive a simulated car with the grid of a file, and write its log."""

from __future__ import annotations

from pathlib import Path

from tuneassist.files.grid_file import read_grid
from tuneassist.files.safe_files import write_atomically
from tuneassist.simulate.drive import drive
from tuneassist.workflow.grid_in_force import refuse_step_file
from tuneassist.workflow.output_paths import require_new_file


def write_simulated_log(
    car: str,
    out: Path,
    *,
    session: int = 1,
    grid: Path | None = None,
    style: str = "holds",
    overwrite: bool = False,
) -> Path:
    """Drive a simulated car, and write its log whole or not at all.

    Parameters
    ----------
    car, session, style
        As for `tuneassist.simulate.drive`.
    out
        The log file to write.
    grid
        File of the grid in the controller; None is all zeros.
    overwrite
        Replace a file of this name.

    Raises
    ------
    InputError
        When the grid cannot be used, or is the step of a proposal.
    OutputError
        When the log cannot be written.
    """
    require_new_file(out, overwrite=overwrite)
    held = None
    if grid is not None:
        refuse_step_file(grid)
        held = read_grid(grid)
    write_atomically(out, drive(car, session=session, grid=held, style=style))
    return out
