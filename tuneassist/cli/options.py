"""Arguments and options that several commands share."""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import Annotated, Any

import typer

Logs = Annotated[
    list[Path],
    typer.Argument(
        metavar="LOG",
        help="Log files. A folder means the log files in it, - means standard input.",
        show_default=False,
    ),
]
SetupFile = Annotated[
    Path,
    typer.Option(
        "--setup", "-s", metavar="FILE", help="The car's setup file (TOML).", show_default=False
    ),
]
OptionalSetup = Annotated[
    Path | None,
    typer.Option(
        "--setup",
        "-s",
        metavar="FILE",
        help="The car's setup file (TOML). With it, check also finds the holds.",
        show_default=False,
    ),
]
Workers = Annotated[
    int,
    typer.Option(
        "--workers",
        metavar="N",
        min=1,
        max=256,
        help="Processes that read logs in parallel.",
        show_default=True,
    ),
]
Scheduler = Annotated[
    str | None,
    typer.Option(
        "--scheduler",
        metavar="ADDRESS",
        help="Dask scheduler whose workers read the logs, such as tcp://host:8786. They must see "
        "the logs under the same paths. Only name a cluster that you trust like this "
        "computer: its answers can run any program here.",
        show_default=False,
    ),
]
Strict = Annotated[
    bool,
    typer.Option(
        "--strict",
        metavar="",
        help="Stop with an error if any log cannot be used, instead of setting it aside.",
    ),
]
AsJson = Annotated[
    bool,
    typer.Option("--json", metavar="", help="Print JSON to standard output and nothing else."),
]
Overwrite = Annotated[
    bool, typer.Option("--overwrite", metavar="", help="Replace an earlier result.")
]
PlotFile = Annotated[
    Path | None,
    typer.Option(
        "--plot",
        metavar="FILE",
        help="Also draw a picture into a new file: .png, .svg or .pdf.",
        show_default=False,
    ),
]


class UnitsWord(StrEnum):
    """Systems of units on the command line."""

    METRIC = "metric"
    IMPERIAL = "imperial"
    PS = "ps"


def _choose_units(ctx: typer.Context, word: UnitsWord | None) -> UnitsWord | None:
    """Show numbers in these units until the command ends."""
    if word is not None:
        from tuneassist.own_units import choose_units

        choose_units(word.value)
        ctx.call_on_close(lambda: choose_units(None))
    return word


Units = Annotated[
    UnitsWord | None,
    typer.Option(
        "--units",
        help="Units shown: metric is kPa, degC, N.m, kW and km/h; imperial is psi, degF, lbf.ft, "
        "hp and mph; ps is bar, degC, N.m, PS and km/h. Default: [units] of the setup, else as it "
        "gives target and ceilings, else as logged. Lambda or AFR stays as the setup says, the "
        "load axis as its table has it, and numbers in files and JSON as documented.",
        callback=_choose_units,
        show_default=False,
    ),
]
UNITLESS = ("keys", "setup", "simulate")
"""Commands without ``--units``: they list or write what has units of its own."""


def with_units(command: Any) -> None:
    """Give a command, or each of a group, the option ``--units`` where it has none of its own."""
    for one in _commands(command):
        if not any("--units" in param.opts for param in one.params):
            one.params.append(_units_option())


def _commands(command: Any) -> Iterator[Any]:
    members = getattr(command, "commands", None)
    if members is None:
        yield command
        return
    for member in members.values():
        yield from _commands(member)


@cache
def _units_option() -> Any:
    """Return the option as the command line's library makes it, its value not passed on."""
    app = typer.Typer(add_completion=False)

    @app.command()
    def one(units: Units = None) -> None:
        pass

    option = next(p for p in typer.main.get_command(app).params if "--units" in p.opts)
    option.expose_value = False
    return option
