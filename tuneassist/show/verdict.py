"""The verdict at the top of a screen."""

from __future__ import annotations

import re

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tuneassist.loop.verdict import NotedCell, Verdict, VerdictWord
from tuneassist.show.display import plain
from tuneassist.show.log_summary import bullets

_SENTENCE_END = re.compile(r"(?<=\.)\s+(?=[A-Z0-9`])")


def verdict_section(verdict: Verdict, load_unit: str) -> RenderableType:
    """Return the verdict, the cells that matter and what to do next.

    Parameters
    ----------
    verdict
        The verdict.
    load_unit
        Unit of the cells' load.
    """
    cells = [f"{place_words(cell, load_unit)}: {cell.why}" for cell in verdict.cells]
    parts: list[RenderableType] = [verdict_line(verdict.word, verdict.reason), bullets(cells)]
    if verdict.action:
        parts.append(_next(verdict.action))
    return Group(*parts, Text())


def verdict_line(word: VerdictWord, reason: str) -> RenderableType:
    """Return the verdict's word and its reason, the reason with a hanging indent.

    Parameters
    ----------
    word
        "STOP", "CHECK" or "GO ON".
    reason
        One sentence.
    """
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    style = "bold" if word == "GO ON" else "bold reverse"
    grid.add_row(Text(f" {word} ", style=style), Text(plain(reason)))
    return grid


def opening(word: VerdictWord, reason: str, action: str = "") -> tuple[RenderableType, ...]:
    """Return the first lines of a screen: verdict, next step where there is one, an empty line.

    Parameters
    ----------
    word, reason
        As for `verdict_line`.
    action
        What to do next; "" for nothing.
    """
    step = (_next(action),) if action else ()
    return (verdict_line(word, reason), *step, Text())


def _next(action: str) -> RenderableType:
    return Padding(Text(f"Next: {plain(action)}"), (0, 0, 0, 2))


def unsaid(words: str, verdict: Verdict | None) -> str:
    """Return the sentences that the verdict does not say already.

    Parameters
    ----------
    words
        Sentences.
    verdict
        What the screen opens with; None for nothing.

    Examples
    --------
    >>> unsaid("It is off. Mend it.", Verdict("STOP", "The loop has halted: it is off.", (), ""))
    'Mend it.'
    """
    if verdict is None:
        return words
    said = f"{verdict.reason} {verdict.action}".lower()
    places = [f"{cell.rpm:g} rpm and {cell.load:g} " for cell in verdict.cells]
    left = [
        one
        for one in _SENTENCE_END.split(words)
        if one.lower().rstrip(".") not in said
        and not (places and all(place in one for place in places))
    ]
    return " ".join(left)


def place_words(cell: NotedCell, load_unit: str) -> str:
    """Return a cell's place in words."""
    return f"{cell.rpm:g} rpm, {cell.load:g} {load_unit}"
