"""Drive a simulated car with the grid of a file, and write its log."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tuneassist.errors import SetupError
from tuneassist.files.grid_file import read_grid, write_grid_text
from tuneassist.files.safe_files import write_atomically
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Axes, Grid
from tuneassist.simulate.by_hand import Wanted
from tuneassist.simulate.drive import drive, drive_pulls, spots_by_hand, zero_grid
from tuneassist.workflow.grid_in_force import refuse_step_file
from tuneassist.workflow.output_paths import require_new_file


@dataclass(frozen=True)
class Job:
    """What is done with the car.

    Parameters
    ----------
    style
        How a session is driven, one of `tuneassist.simulate.drive.STYLES`.
    pulls
        Full-load pulls in place of a session; None for none. [1]
    spots
        Values found by hand in place of a log; None for none. [1]
    is_zeros
        Whether the controller's grid as it comes is written in place of a log.
    setup
        File of the setup whose target the spots are found for; None takes the car's own.
    more_load_pct
        How much more load full pedal reaches than on the standard car. [%]
    """

    style: str = "holds"
    pulls: int | None = None
    spots: int | None = None
    is_zeros: bool = False
    setup: Path | None = None
    more_load_pct: float = 0.0


def write_simulated_log(
    car: str,
    out: Path,
    *,
    session: int = 1,
    grid: Path | None = None,
    job: Job | None = None,
    overwrite: bool = False,
) -> Path:
    """Drive a simulated car, and write its log whole or not at all.

    Parameters
    ----------
    car, session
        As for `tuneassist.simulate.drive`.
    out
        The log file to write.
    grid
        File of the grid in the controller; None is all zeros.
    job
        What is driven; None is a session of holds.
    overwrite
        Replace a file of this name.

    Raises
    ------
    InputError
        When the grid or the setup cannot be used, or the grid is the step of a proposal.
    OutputError
        When the log cannot be written.
    """
    require_new_file(out, overwrite=overwrite)
    held = None
    if grid is not None:
        refuse_step_file(grid)
        held = read_grid(grid)
    write_atomically(out, _content(car, session, held, job or Job()))
    return out


def _content(car: str, session: int, held: Grid | None, job: Job) -> bytes:
    if job.is_zeros:
        return write_grid_text(zero_grid(car)).encode("utf-8")
    if job.spots is not None:
        wanted = None if job.setup is None else _wanted(job.setup, zero_grid(car).axes)
        return spots_by_hand(car, job.spots, session=session, grid=held, wanted=wanted)
    more = job.more_load_pct
    if job.pulls is not None:
        return drive_pulls(car, job.pulls, session=session, grid=held, more_load_pct=more)
    return drive(car, session=session, grid=held, style=job.style, more_load_pct=more)


def _wanted(path: Path, own: Axes) -> Wanted:
    """Return breakpoints and target of a setup that counts load as the car does."""
    setup = read_setup(path)
    if setup.axes.load_unit != own.load_unit:
        raise SetupError(
            f"load is in {setup.axes.load_unit}; this car counts it in {own.load_unit}.",
            where=f"{path}, key axes.load_unit",
            mend="Make the setup with the grid that --zeros writes.",
        )
    return setup.axes, setup.target
