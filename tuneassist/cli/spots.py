"""``tuneassist spots``: turn values found by hand into a limited and checked correction grid."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from tuneassist import workflow
from tuneassist.cli import console
from tuneassist.cli.commands import new_app
from tuneassist.cli.inputs import reducer
from tuneassist.cli.options import AsJson, Overwrite, PlotFile, SetupFile, Strict
from tuneassist.cli.propose import Out, Quiet, write_result


class Values(StrEnum):
    """What the values are."""

    total = "total"
    change = "change"


SpotFile = Annotated[
    Path,
    typer.Argument(
        metavar="SPOTS",
        help="List with the columns rpm, load, correction_pct (doubt_pct and repeats may follow), "
        "or a grid file with blank cells.",
        show_default=False,
    ),
]
BesideLogs = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="LOG",
        help="Logs of the same engine under the same grid, used together with the spots.",
        show_default=False,
    ),
]
Meant = Annotated[
    Values | None,
    typer.Option(
        "--values",
        help="What the values are: the total correction, or a change on top of --grid. Default: "
        "what the column says (total_pct, change_pct). Needed where neither tells and --grid "
        "holds corrections.",
        show_default=False,
    ),
]
GridFile = Annotated[
    Path | None,
    typer.Option(
        "--grid",
        "-g",
        metavar="FILE",
        help="Correction grid that was in the controller while the values were found. Default: "
        "all zeros.",
        show_default=False,
    ),
]
app = new_app()


@app.command()
def spots(
    spots: SpotFile,
    setup: SetupFile,
    out: Out,
    *,
    logs: BesideLogs = None,
    grid: GridFile = None,
    values: Meant = None,
    overwrite: Overwrite = False,
    strict: Strict = False,
    plot: PlotFile = None,
    json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Propose a limited correction grid from values found by hand and write it.

    Each spot is a speed, a load and the correction at which the mixture was right; it counts as a
    hold. The map between them, the rules, the checker and the four files are those of propose.
    Cells that the spots do not reach do not change. Spots that contradict each other are named.
    """
    if plot is not None:
        workflow.pictures.require_picture(plot, overwrite=overwrite)
    done = workflow.spots.propose_spots_files(
        spots,
        reducer(logs, is_strict=strict) if logs else None,
        setup=setup,
        out=out,
        grid=grid,
        values=None if values is None else values.value,
        overwrite=overwrite,
        plot=plot,
    )
    write_result(done, out=out, has_grid=grid is not None, json=json, quiet=quiet)
    if plot is not None and not (json or quiet):
        console.write(console.screen(), f"\nPicture written: {plot}")
