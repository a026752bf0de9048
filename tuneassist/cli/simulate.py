"""``tuneassist simulate``: drive a simulated car with any grid, and write its log."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from tuneassist import workflow
from tuneassist.cli import console
from tuneassist.cli.commands import new_app
from tuneassist.cli.options import AsJson, Overwrite


class CarName(StrEnum):
    """The simulated cars."""

    petrol = "petrol"
    van = "van"


class StyleName(StrEnum):
    """How the car is driven."""

    holds = "holds"
    speed_sweeps = "speed-sweeps"
    load_sweeps = "load-sweeps"
    road = "road"


Car = Annotated[
    CarName,
    typer.Argument(
        metavar="CAR",
        help="petrol (turbo petrol hatchback) or van (turbo-diesel van). Their setups are among "
        "the sample logs.",
        show_default=False,
    ),
]
Out = Annotated[
    Path,
    typer.Option("--out", "-o", metavar="FILE", help="The log to write.", show_default=False),
]
HeldGrid = Annotated[
    Path | None,
    typer.Option(
        "--grid",
        "-g",
        metavar="FILE",
        help="Correction grid in the controller. Default: all zeros.",
        show_default=False,
    ),
]
SessionNumber = Annotated[
    int,
    typer.Option(
        "--session",
        metavar="N",
        min=1,
        max=1_000_000,
        help="Which session: the same number is the same drive again, another is another day.",
        show_default=True,
    ),
]
Driven = Annotated[
    StyleName,
    typer.Option(
        "--style",
        metavar="STYLE",
        help="How it is driven: holds, speed-sweeps, load-sweeps or road.",
        show_default=True,
    ),
]
app = new_app()


@app.command()
def simulate(
    car: Car,
    out: Out,
    *,
    grid: HeldGrid = None,
    session: SessionNumber = 1,
    style: Driven = StyleName.holds,
    overwrite: Overwrite = False,
    json: AsJson = False,
) -> None:
    """Drive a simulated car with any grid and write its log, to try the program.

    The car answers to the grid as a real one would, so that the loop of rounds can be tried from
    end to end. The log says that it is simulated. No figure comes from a real car.
    """
    written = workflow.simulated_log.write_simulated_log(
        car.value, out, session=session, grid=grid, style=style.value, overwrite=overwrite
    )
    if json:
        console.write_json(
            {
                "log": str(written),
                "car": car.value,
                "session": session,
                "style": style.value,
                "grid": None if grid is None else str(grid),
                "is_simulated": True,
            }
        )
    else:
        held = "no grid" if grid is None else f"{grid} in the controller"
        console.write(
            console.screen(),
            f"{written}: simulated session {session} of the {car.value} car, with {held}.",
        )
