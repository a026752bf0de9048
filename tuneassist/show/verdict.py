"""The verdict at the top of a screen."""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.text import Text

from tuneassist.loop.verdict import NotedCell, Verdict
from tuneassist.show.display import plain
from tuneassist.show.log_summary import bullets


def verdict_section(verdict: Verdict, load_unit: str) -> RenderableType:
    """Return the verdict, the cells that matter and what to do next.

    Parameters
    ----------
    verdict
        The verdict.
    load_unit
        Unit of the cells' load.
    """
    style = "bold" if verdict.word == "GO ON" else "bold reverse"
    first = Text()
    first.append(f" {verdict.word} ", style=style).append(f" {plain(verdict.reason)}")
    cells = [f"{place_words(cell, load_unit)}: {cell.why}" for cell in verdict.cells]
    parts: list[RenderableType] = [first, bullets(cells)]
    if verdict.action:
        parts.append(Padding(Text(f"Next: {plain(verdict.action)}"), (0, 0, 0, 2)))
    return Group(*parts, Text())


def place_words(cell: NotedCell, load_unit: str) -> str:
    """Return a cell's place in words."""
    return f"{cell.rpm:g} rpm, {cell.load:g} {load_unit}"
