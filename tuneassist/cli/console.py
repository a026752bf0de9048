"""Where output goes: screens and JSON to standard output, everything else to standard error."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import typer

from tuneassist import files, show
from tuneassist.inert import clipped, inert

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from tuneassist.show.look import Look

NAME = "tuneassist"
MESSAGE_LENGTH = 200_000
"""Characters of one message: a thousand broken rules are named, and no more. [1]"""


def tell(message: str) -> None:
    """Write a message to standard error: wrapped for a terminal, whole lines for a pipe."""
    lines = [inert(line) for line in f"{NAME}: {clipped(message, MESSAGE_LENGTH)}".splitlines()]
    if sys.stderr.isatty():
        lines = [part for line in lines for part in _wrapped(line)]
    for line in lines:
        typer.echo(line, err=True)


def _wrapped(line: str) -> list[str]:
    width = max(40, shutil.get_terminal_size().columns - 1)
    return textwrap.wrap(
        line, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False
    )


def screen() -> Console:
    """Return the console for screens; plain when piped, without colour under NO_COLOR."""
    return show.inert_console.InertConsole(
        file=sys.stdout, markup=False, highlight=False, emoji=False
    )


def look_of(console: Console) -> Look:
    """Return what the console can show."""
    is_ascii = not console.encoding.lower().startswith("utf")
    return show.look.Look(width=console.width, is_ascii=is_ascii)


def write(console: Console, *renderables: RenderableType) -> None:
    """Print what `tuneassist.show` made; a plain text is one line."""
    for renderable in renderables:
        console.print(inert(renderable) if isinstance(renderable, str) else renderable)


def write_json(record: Mapping[str, Any]) -> None:
    """Print a record as JSON, in UTF-8 whatever the terminal's code page is."""
    typer.echo(files.text.stable_json(record).encode("utf-8"), nl=False)
