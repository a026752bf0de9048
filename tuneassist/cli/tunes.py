"""``tuneassist tunes``: the set of tunes that one car carries."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tuneassist import show, workflow
from tuneassist.cli import console
from tuneassist.cli.commands import COMMANDS, new_app
from tuneassist.cli.full_load import Fuel, Humidity, Standard, value_of
from tuneassist.cli.options import AsJson
from tuneassist.errors import RuleBreachError
from tuneassist.files.tunes_example import EXAMPLE

EPILOG = "A whole tunes.toml:\n\n" + "\n\n".join(f"\b\n{p}" for p in EXAMPLE.split("\n\n"))
"""The example with its line breaks kept: the mark asks for that, paragraph by paragraph."""

Folder = Annotated[
    Path,
    typer.Argument(metavar="FOLDER", help="Folder with the set's tunes.toml.", show_default=False),
]
app = new_app(COMMANDS["tunes"][1])
app.callback()(lambda: None)  # so that the one sub-command keeps its name


@app.command(epilog=EPILOG)
def check(
    folder: Folder,
    standard: Standard = None,
    humidity: Humidity = None,
    fuel: Fuel = None,
    json: AsJson = False,
) -> None:
    """Check a set of tunes: limits, standard all zeros, output in order, mixture and heat.

    Where full-load runs are given, torque and power have to rise in the order stated at every
    speed, in one air: that of a standard, or air that hardly differs; a run is a log with
    full-load pulls in it, or a table, and must not exceed its tune's limits. A towing tune must
    not be stronger, leaner (a diesel: richer) or hotter than a power tune. Says what was checked
    and what was not. Ends with exit status 5 when something is not as it should be. Writes no file.
    """
    settings = workflow.runs.run_settings(
        value_of(standard), relative_humidity_pct=humidity, fuel_mg_per_l_cycle=fuel
    )
    found = workflow.tunes.check_tunes_folder(folder, settings=settings)
    if json:
        console.write_json(show.tunes.tunes_record(found.tunes, found.report))
    else:
        screen = console.screen()
        look = console.look_of(screen)
        console.write(screen, show.tunes.tunes_screen(found.tunes, found.report, look))
    if not found.report.is_ok:
        raise typer.Exit(RuleBreachError.exit_status)
