"""``tuneassist tunes``: the set of tunes that one car carries."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tuneassist.cli.full_load import Fuel, Humidity, Standard, value_of
from tuneassist.cli.options import AsJson
from tuneassist.files.tunes_example import EXAMPLE

BREACH = 5
"""Exit status of a set that is not as it should be, as of a grid that breaks a rule."""

EPILOG = "A whole tunes.toml:\n\n" + "\n\n".join(f"\b\n{p}" for p in EXAMPLE.split("\n\n"))
"""The example with its line breaks kept: the mark asks for that, paragraph by paragraph."""


def check(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER", help="Folder with the set's tunes.toml.", show_default=False
        ),
    ],
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
    from tuneassist.cli.console import look_of, screen, show, show_json
    from tuneassist.files.tunes_folder import read_tunes
    from tuneassist.loop.tune_set import check_tunes
    from tuneassist.show.tunes import tunes_record, tunes_screen
    from tuneassist.workflow.runs import run_settings

    runs = run_settings(
        value_of(standard), relative_humidity_pct=humidity, fuel_mg_per_l_cycle=fuel
    )
    tunes = read_tunes(folder, settings=runs)
    report = check_tunes(tunes, runs=runs)
    if json:
        show_json(tunes_record(tunes, report))
    else:
        console = screen()
        show(console, tunes_screen(tunes, report, look_of(console)))
    if not report.is_ok:
        raise typer.Exit(BREACH)
