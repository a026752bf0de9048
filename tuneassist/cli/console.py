"""Output: screens and JSON to standard output, messages to standard error."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import typer

from tuneassist import files, show
from tuneassist.cli.waiting import end_waiting
from tuneassist.inert import clipped, inert

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from tuneassist.show.display import Display

NAME = "tuneassist"
MESSAGE_LENGTH = 200_000
"""Longest message; enough for a thousand broken rules. [1]"""


def tell(message: str) -> None:
    """Write a message to standard error, wrapped on a terminal only."""
    end_waiting()
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
    return show.safe_console.SafeConsole(
        file=sys.stdout, markup=False, highlight=False, emoji=False
    )


def display_of(console: Console) -> Display:
    """Return width and character set of the console."""
    is_ascii = not console.encoding.lower().startswith("utf")
    has_color = console.color_system is not None and not console.no_color
    return show.display.Display(width=console.width, is_ascii=is_ascii, has_color=has_color)


def write(console: Console, *renderables: RenderableType) -> None:
    """Print what `tuneassist.show` returned; plain text is one line."""
    end_waiting()
    for renderable in renderables:
        console.print(inert(renderable) if isinstance(renderable, str) else renderable)


def write_json(record: Mapping[str, Any]) -> None:
    """Print a record as JSON, always in UTF-8."""
    end_waiting()
    typer.echo(files.serialise.stable_json(record).encode("utf-8"), nl=False)
