"""``tuneassist tunes derive``: milder tunes from a strong one and the standard one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tuneassist import show, workflow
from tuneassist.cli import console
from tuneassist.cli.full_load import Fuel, Humidity, Standard, value_of
from tuneassist.cli.options import AsJson
from tuneassist.files.tunes_example import DERIVE_EXAMPLE

EPILOG = "What the list may say of it:\n\n" + "\n\n".join(
    f"\b\n{p}" for p in DERIVE_EXAMPLE.split("\n\n")
)
"""The example with its line breaks kept, by the mark before each paragraph."""
Folder = Annotated[
    Path | None,
    typer.Argument(
        metavar="FOLDER",
        help="Folder with a tunes.toml that lists the standard tune and the strong one. Without "
        "it, give --setup and --grid.",
        show_default=False,
    ),
]
Out = Annotated[
    Path,
    typer.Option(
        "--out", "-o", metavar="DIR", help="New or empty folder for the set.", show_default=False
    ),
]
Set = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="KEY=VALUE",
        help="A setting, such as margin_exhaust_c=20 or towing.full_load_share=0.5; comes before "
        "the list. May be repeated.",
        show_default=False,
    ),
]
SetupFile = Annotated[
    Path | None,
    typer.Option(
        "--setup", "-s", metavar="FILE", help="Without FOLDER: the setup.", show_default=False
    ),
]
StrongGrid = Annotated[
    Path | None,
    typer.Option(
        "--grid",
        "-g",
        metavar="FILE",
        help="Without FOLDER: the strong tune's grid.",
        show_default=False,
    ),
]
StrongRun = Annotated[
    Path | None,
    typer.Option(
        "--run",
        metavar="FILE",
        help="Without FOLDER: its full-load log or table.",
        show_default=False,
    ),
]
StandardRun = Annotated[
    Path | None,
    typer.Option(
        "--standard-run",
        metavar="FILE",
        help="Without FOLDER: the same of the standard tune.",
        show_default=False,
    ),
]
StandardGrid = Annotated[
    Path | None,
    typer.Option(
        "--standard-grid",
        metavar="FILE",
        help="Without FOLDER: the standard tune's grid. Default: all zeros.",
        show_default=False,
    ),
]


def derive(
    out: Out,
    folder: Folder = None,
    *,
    setup: SetupFile = None,
    grid: StrongGrid = None,
    run: StrongRun = None,
    standard_run: StandardRun = None,
    standard_grid: StandardGrid = None,
    values: Set = None,
    standard: Standard = None,
    humidity: Humidity = None,
    fuel: Fuel = None,
    json: AsJson = False,
) -> None:
    """Make milder tunes, such as economy and towing, from the strong one.

    Each keeps a share of the strong tune's correction at low speed, full load and cruise. With
    full-load runs of both, torque, boost and exhaust temperature are predicted at every speed and
    stay under the ceilings with a margin; where nothing was seen, no more than half is kept. Every
    cell stays between the two tunes, never less safe than the strong one. Writes a whole set: a
    folder for each tune, and the list for tunes check.
    """
    settings = workflow.runs.run_settings(
        value_of(standard), relative_humidity_pct=humidity, fuel_mg_per_l_cycle=fuel
    )
    options = tuple(values or ())
    given = {"--setup": setup, "--grid": grid, "--run": run, "--standard-run": standard_run,
             "--standard-grid": standard_grid}  # fmt: skip
    named = [name for name, value in given.items() if value is not None]
    if folder is not None:
        if named:
            raise typer.BadParameter(f"give FOLDER, or {', '.join(named)}: not both.")
        done = workflow.derive.derive_folder(folder, out=out, options=options, settings=settings)
    elif setup is None or grid is None:
        raise typer.BadParameter("give FOLDER, or --setup and --grid.")
    else:
        files = workflow.derive.DeriveFiles(setup, grid, run, standard_run, standard_grid)
        done = workflow.derive.derive_files(files, out=out, options=options, settings=settings)
    if json:
        record = show.derived.derived_record(done.made, done.report, out, left_out=done.left_out)
        console.write_json(record)
        return
    screen = console.screen()
    look = console.display_of(screen)
    same = _options(("--standard", value_of(standard)), ("--humidity", humidity), ("--fuel", fuel))
    shown = show.derived.derived_screen(
        done.made, done.report, out, look, left_out=done.left_out, options=same
    )
    console.write(screen, shown)


def _options(*given: tuple[str, object]) -> str:
    """Write options again as they were given."""
    return "".join(f" {name} {value}" for name, value in given if value is not None)
