"""``tuneassist verify``: check a grid file against every rule of a setup."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuneassist import show, workflow
from tuneassist.cli import console
from tuneassist.cli.commands import new_app
from tuneassist.cli.options import AsJson, SetupFile

if TYPE_CHECKING:
    from tuneassist.workflow.verify import VerifiedFile

GridFile = Annotated[
    Path,
    typer.Argument(metavar="GRID", help="The grid file to check.", show_default=False),
]
Against = Annotated[
    Path | None,
    typer.Option(
        "--against",
        metavar="FILE",
        help="Grid that is in the controller now. With it, the rules on changes are checked too, "
        "and breaches in both grids are marked as carried over.",
        show_default=False,
    ),
]
app = new_app()


@app.command()
def verify(grid: GridFile, setup: SetupFile, against: Against = None, json: AsJson = False) -> None:
    """Check a grid file against every rule of the setup.

    Names every breach, and whether this grid introduced it or carried it over from the grid that is
    in the controller (--against). Exit status 5 when a rule is broken. Writes no file.
    """
    found = workflow.verify.verify_file(grid, setup=setup, against=against)
    if json:
        _write_json(found)
    found.require_clean()
    if not json:
        _write_screen(found)


def _write_json(found: VerifiedFile) -> None:
    console.write_json(
        {
            "grid": str(found.grid),
            "is_clean": not found.breaches,
            "carried_over": found.carried_over,
            "blank_cells": found.blank_cells,
            "breaches": show.rules.breach_record(found.breaches),
        }
    )


def _write_screen(found: VerifiedFile) -> None:
    view = show.rules.clean_screen(
        str(found.grid),
        setup=found.setup,
        cells=found.setup.axes.size - found.blank_cells,
        blank=found.blank_cells,
        has_against=found.against is not None,
    )
    console.write(console.screen(), view)
