"""Arguments and options that several commands share, so that they are the same everywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Logs = Annotated[
    list[Path],
    typer.Argument(
        metavar="LOG",
        help="Log files; a folder stands for the log files in it.",
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
        help="The car's setup file (TOML). With it, holds are looked for as well.",
        show_default=False,
    ),
]
AsJson = Annotated[
    bool,
    typer.Option("--json", metavar="", help="Print JSON on standard output, and only that."),
]
Overwrite = Annotated[
    bool, typer.Option("--overwrite", metavar="", help="Replace an earlier result.")
]
