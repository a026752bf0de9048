"""``tuneassist tunes``: the set of tunes that one car carries."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tuneassist import show, workflow
from tuneassist.cli import console
from tuneassist.cli.commands import COMMANDS, new_app
from tuneassist.cli.derive import EPILOG as DERIVE_EPILOG
from tuneassist.cli.derive import derive
from tuneassist.cli.full_load import Fuel, Humidity, Standard, value_of
from tuneassist.cli.options import AsJson, Overwrite, PlotFile
from tuneassist.errors import RuleBreachError
from tuneassist.files.tunes_example import EXAMPLE

EPILOG = "A whole tunes.toml:\n\n" + "\n\n".join(f"\b\n{p}" for p in EXAMPLE.split("\n\n"))
"""The example with its line breaks kept, by the mark before each paragraph."""

Folder = Annotated[
    Path,
    typer.Argument(metavar="FOLDER", help="Folder with the set's tunes.toml.", show_default=False),
]
app = new_app(COMMANDS["tunes"][1])
app.command("derive", epilog=DERIVE_EPILOG)(derive)


@app.command(epilog=EPILOG)
def check(
    folder: Folder,
    *,
    standard: Standard = None,
    humidity: Humidity = None,
    fuel: Fuel = None,
    plot: PlotFile = None,
    overwrite: Overwrite = False,
    json: AsJson = False,
) -> None:
    """Check a set of tunes: limits, zeros, output order, mixture, heat.

    The standard tune must be all zeros. With full-load runs, torque and power must rise in the
    stated order at every speed, in one air: that of a standard, or air that hardly differs. A run
    is a log with full-load pulls, or a table, and must stay within its tune's limits. A towing tune
    must not be stronger, leaner (diesel: richer) or hotter than a power tune. Lists what was
    checked and what was not. Exit status 5 when a check fails. Writes no file but the picture of
    --plot: torque by speed of every tune, with the ceilings.
    """
    if plot is not None:
        workflow.pictures.require_picture(plot, overwrite=overwrite)
    settings = workflow.runs.run_settings(
        value_of(standard), relative_humidity_pct=humidity, fuel_mg_per_l_cycle=fuel
    )
    found = workflow.tunes.check_tunes_folder(folder, settings=settings)
    if plot is not None:
        workflow.pictures.draw_tunes(plot, found)
    if json:
        console.write_json(show.tunes.tunes_record(found.tunes, found.report))
    else:
        screen = console.screen()
        look = console.display_of(screen)
        view = show.tunes.tunes_screen(found.tunes, found.report, look)
        console.write(screen, view, *([f"\nPicture written: {plot}"] if plot else []))
    if not found.report.is_ok:
        raise typer.Exit(RuleBreachError.exit_status)
