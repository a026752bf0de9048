"""``tuneassist verify``: any grid file against every rule of a setup."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuneassist.cli.options import AsJson, SetupFile

if TYPE_CHECKING:
    from tuneassist.workflow.verify import VerifiedFile

GridFile = Annotated[
    Path,
    typer.Argument(metavar="GRID", help="The grid file to look at.", show_default=False),
]
Against = Annotated[
    Path | None,
    typer.Option(
        "--against",
        metavar="FILE",
        help="Grid that the controller holds now; with it, rules on changes are looked at too, "
        "and what is wrong in both is marked as carried over.",
        show_default=False,
    ),
]


def verify(grid: GridFile, setup: SetupFile, against: Against = None, json: AsJson = False) -> None:
    """Hold a grid file against every rule of the setup.

    Ends with exit status 5 when a rule is broken, each breach named, whether this grid brought it
    in or it was carried over from the one before. Writes no file.
    """
    from tuneassist.workflow.verify import verify_file

    found = verify_file(grid, setup=setup, against=against)
    if json:
        _show_json(found)
    found.require_clean()
    if not json:
        _show_screen(found)


def _show_json(found: VerifiedFile) -> None:
    from tuneassist.cli.console import show_json
    from tuneassist.show.rules import breach_record

    show_json(
        {
            "grid": str(found.grid),
            "is_clean": not found.breaches,
            "carried_over": found.carried_over,
            "breaches": breach_record(found.breaches),
        }
    )


def _show_screen(found: VerifiedFile) -> None:
    from tuneassist.cli.console import screen, show
    from tuneassist.show.rules import clean_screen

    car = found.setup
    has_against = found.against is not None
    show(
        screen(),
        clean_screen(str(found.grid), setup=car, cells=car.axes.size, has_against=has_against),
    )
