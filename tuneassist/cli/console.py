"""Where output goes: screens and JSON to standard output, everything else to standard error."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from tuneassist.show.look import Look

NAME = "tuneassist"


def tell(message: str) -> None:
    """Write a message to standard error: wrapped for a terminal, whole lines for a pipe."""
    import typer

    lines = [_printable(line) for line in f"{NAME}: {message}".splitlines()]
    if sys.stderr.isatty():
        lines = [part for line in lines for part in _wrapped(line)]
    for line in lines:
        typer.echo(line, err=True)


def _printable(line: str) -> str:
    """Take out marks that a terminal would act on: a message may quote a file."""
    return "".join(mark if mark.isprintable() else "?" for mark in line)


def _wrapped(line: str) -> list[str]:
    import shutil

    width = max(40, shutil.get_terminal_size().columns - 1)
    return textwrap.wrap(
        line, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False
    )


def screen() -> Console:
    """Return the console for screens; plain when piped, without colour under NO_COLOR."""
    from rich.console import Console

    return Console(file=sys.stdout, markup=False, highlight=False, emoji=False)


def look_of(console: Console) -> Look:
    """Return what the console can show."""
    from tuneassist.show.look import Look

    return Look(width=console.width, is_ascii=not console.encoding.lower().startswith("utf"))


def show(console: Console, *renderables: RenderableType) -> None:
    """Print what `tuneassist.show` made."""
    for renderable in renderables:
        console.print(renderable)


def show_json(record: Mapping[str, Any]) -> None:
    """Print a record as JSON, in UTF-8 whatever the terminal's code page is."""
    import typer

    from tuneassist.files.text import stable_json

    typer.echo(stable_json(record).encode("utf-8"), nl=False)
