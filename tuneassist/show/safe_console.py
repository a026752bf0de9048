"""A console that removes terminal control characters from all printed text."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from tuneassist.inert import inert


class SafeConsole(Console):
    """A console that removes terminal control characters from the text it prints.

    Screens clean text from files where they quote it; this is the final check. The console's own
    colours and cursor moves are not affected.
    """

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """Render as a console does, with text cleaned line by line."""
        for segment in super().render(renderable, options):
            if segment.control or segment.text.isprintable() or segment.text == "\n":
                yield segment if segment.control or segment.text.isascii() else _clean(segment)
            else:
                yield _clean(segment)


def _clean(segment: Segment) -> Segment:
    lines = segment.text.split("\n")
    return Segment("\n".join(inert(line) for line in lines), segment.style)
