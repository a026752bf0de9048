"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

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
