"""A console on which words of others can do nothing, wherever in a screen they stand."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from tuneassist.inert import inert


class SafeConsole(Console):
    """A console that takes out what a terminal would act on in any words that it prints.

    Screens clean the words that they quote where they know them; this is the last look. Colours
    and cursor moves of the console's own do not travel as words and stay.
    """

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """Render as a console does, words cleaned line by line."""
        for segment in super().render(renderable, options):
            if segment.control or segment.text.isprintable() or segment.text == "\n":
                yield segment if segment.control or segment.text.isascii() else _clean(segment)
            else:
                yield _clean(segment)


def _clean(segment: Segment) -> Segment:
    lines = segment.text.split("\n")
    return Segment("\n".join(inert(line) for line in lines), segment.style)
