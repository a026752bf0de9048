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
Pulls = Annotated[
    int | None,
    typer.Option(
        "--pulls",
        metavar="N",
        help="Write a log of N full-load pulls instead, as runs takes them.",
        show_default=False,
    ),
]
Spots = Annotated[
    int | None,
    typer.Option(
        "--spots",
        metavar="N",
        help="Write N values found by hand instead, as spots and rounds add take them.",
        show_default=False,
    ),
]
Zeros = Annotated[
    bool,
    typer.Option("--zeros", help="Write the controller's grid as it comes instead: all zeros."),
]
AimedAt = Annotated[
    Path | None,
    typer.Option(
        "--setup",
        "-s",
        metavar="FILE",
        help="With --spots: the setup whose target they are found for. Default: the car's own.",
        show_default=False,
    ),
]
MoreLoad = Annotated[
    float,
    typer.Option(
        "--more-load",
        metavar="PCT",
        help="How much more load full pedal reaches than on the standard car, as after a change of "
        "boost or injected fuel outside the grid.",
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
    pulls: Pulls = None,
    spots: Spots = None,
    zeros: Zeros = False,
    setup: AimedAt = None,
    more_load: MoreLoad = 0.0,
    overwrite: Overwrite = False,
    json: AsJson = False,
) -> None:
    """Drive a simulated car with any grid and write its log, to try the program.

    The car answers to the grid as a real one would, so that the loop of rounds can be tried from
    end to end. The log says that it is simulated. No figure comes from a real car. --pulls,
    --spots and --zeros write what else a day on the rollers needs.
    """
    _refuse_two(style, pulls, spots, zeros=zeros)
    if setup is not None and spots is None:
        raise typer.BadParameter("--setup goes with --spots.")
    job = workflow.simulated_log.Job(style.value, pulls, spots, zeros, setup, more_load)
    written = workflow.simulated_log.write_simulated_log(
        car.value, out, session=session, grid=grid, job=job, overwrite=overwrite
    )
    if json:
        console.write_json(
            {
                "log": str(written),
                "car": car.value,
                "session": session,
                "style": style.value,
                "pulls": pulls,
                "spots": spots,
                "zeros": zeros,
                "grid": None if grid is None else str(grid),
                "is_simulated": True,
            }
        )
    elif zeros:
        said = f"{written}: the grid of the simulated {car.value} car as it comes, all zeros."
        console.write(console.screen(), said)
    else:
        held = "no grid" if grid is None else f"{grid} in the controller"
        what = f"simulated {_what(pulls, spots)}session {session}"
        console.write(console.screen(), f"{written}: {what} of the {car.value} car, with {held}.")


def _refuse_two(style: StyleName, pulls: int | None, spots: int | None, *, zeros: bool) -> None:
    """Refuse two kinds of file at once."""
    given = {
        "--style": style is not StyleName.holds,
        "--pulls": pulls is not None,
        "--spots": spots is not None,
        "--zeros": zeros,
    }
    named = [name for name, is_given in given.items() if is_given]
    if len(named) > 1:
        raise typer.BadParameter(f"{' and '.join(named)} exclude each other.")


def _what(pulls: int | None, spots: int | None) -> str:
    if pulls is not None:
        return "full-load pulls, "
    return "" if spots is None else "values found by hand, "
