"""Check a grid file against every rule of a setup."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tuneassist.correction import Breach, verify_grid
from tuneassist.errors import GridError, RuleBreachError
from tuneassist.files.grid_file import read_grid
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Grid
from tuneassist.settings import Setup
from tuneassist.workflow.grid_in_force import read_in_force


@dataclass(frozen=True, eq=False)
class VerifiedFile:
    """A grid file and the rules that it breaks.

    Parameters
    ----------
    grid
        The file.
    against
        File of the grid in the controller; None without one.
    setup
        The car's setup.
    breaches
        Every broken rule, introduced by this grid or carried over.
    blank_cells
        Cells without a value: nothing is typed in there, so they keep what the controller holds.
    """

    grid: Path
    against: Path | None
    setup: Setup
    breaches: tuple[Breach, ...]
    blank_cells: int = 0

    @property
    def carried_over(self) -> int:
        """Number of breaches that the grid in force already has."""
        return sum(breach.is_carried_over for breach in self.breaches)

    def require_clean(self) -> None:
        """Raise when a rule is broken.

        Raises
        ------
        RuleBreachError
            With every breach.
        """
        if not self.breaches:
            return
        count = f"{len(self.breaches)} breach{'es' if len(self.breaches) > 1 else ''} of the rules"
        carried = self.carried_over
        old = f", {carried} of them carried over from {self.against}" if carried else ""
        raise RuleBreachError(
            f"{self.grid}: {count}{old}.", tuple(breach.sentence for breach in self.breaches)
        )


def verify_file(grid: Path, *, setup: Path, against: Path | None = None) -> VerifiedFile:
    """Check a grid file against every rule of a setup.

    Parameters
    ----------
    grid
        The file to check.
    setup
        The setup's file.
    against
        File of the grid in the controller; with it, the rules on changes are checked too.

    Raises
    ------
    InputError
        When a file cannot be read or holds no value, or the grid in force is the step of a
        proposal.

    Notes
    -----
    A blank cell is not zero. With the grid in force it keeps what the controller holds, and the
    cells around it are held against that; without it, nothing is checked between a value and a
    blank.
    """
    car = read_setup(setup)
    asked = read_grid(grid, axes=car.axes)
    current = read_in_force(against, car.axes) if against else None
    is_blank = np.isnan(asked.values)
    if is_blank.all():
        raise GridError("every cell is blank.", where=str(grid), mend="There is nothing to check.")
    if current is not None:
        asked = Grid(car.axes, np.where(is_blank, current.values, asked.values))
    breaches = verify_grid(asked, current=current, setup=car)
    return VerifiedFile(grid, against, car, tuple(breaches), int(is_blank.sum()))
