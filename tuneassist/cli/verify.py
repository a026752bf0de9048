"""``tuneassist verify``: any grid file against every rule of a setup."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tuneassist.cli.options import AsJson, SetupFile


def verify(
    grid: Annotated[
        Path,
        typer.Argument(metavar="GRID", help="The grid file to look at.", show_default=False),
    ],
    setup: SetupFile,
    against: Annotated[
        Path | None,
        typer.Option(
            "--against",
            metavar="FILE",
            help="Grid that the controller holds now; with it, rules on changes are looked at too, "
            "and what is wrong in both is marked as carried over.",
            show_default=False,
        ),
    ] = None,
    json: AsJson = False,
) -> None:
    """Hold a grid file against every rule of the setup.

    Ends with exit status 5 when a rule is broken, each breach named, whether this grid brought it
    in or it was carried over from the one before. Writes no file.
    """
    from tuneassist.cli.console import screen, show, show_json
    from tuneassist.correction import verify_grid
    from tuneassist.errors import RuleBreachError
    from tuneassist.files.grid_file import read_grid
    from tuneassist.files.setup_file import read_setup
    from tuneassist.show.rules import breach_record, clean_screen
    from tuneassist.workflow.in_force import read_in_force

    car = read_setup(setup)
    asked = read_grid(grid, axes=car.axes)
    current = read_in_force(against, car.axes) if against else None
    breaches = verify_grid(asked, current=current, setup=car)
    carried = sum(breach.is_carried_over for breach in breaches)
    if json:
        show_json(
            {
                "grid": str(grid),
                "is_clean": not breaches,
                "carried_over": carried,
                "breaches": breach_record(breaches),
            }
        )
    if breaches:
        count = f"{len(breaches)} breach{'es' if len(breaches) > 1 else ''} of the rules"
        old = f", {carried} of them carried over from {against}" if carried else ""
        raise RuleBreachError(
            f"{grid}: {count}{old}.", tuple(breach.sentence for breach in breaches)
        )
    if not json:
        show(
            screen(),
            clean_screen(
                str(grid), setup=car, cells=car.axes.size, has_against=current is not None
            ),
        )
