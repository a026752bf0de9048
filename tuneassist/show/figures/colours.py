"""The colours of figures and pages, taken from those of the terminal screens.

Orange is the side that hurts the engine, blue the other. The pair stays apart under deuteranopia
and protanopia (tests/test_plots.py measures it), and every cell has its number, so that no meaning
hangs on colour.
"""

from __future__ import annotations

import math

from rich.style import Style

from tuneassist.show.cell_picture import CellShown
from tuneassist.show.look import CALM, WATCH, depth_of

INK = "#1a1a1a"
PAPER = "#ffffff"
NOTHING = "#f2f2f2"
"""A cell about which nothing is claimed."""
EDGE = "#8c8c8c"
GRID = "#d9d9d9"


def _fill_of(style: str) -> str:
    background = Style.parse(style).bgcolor
    if background is None:
        raise ValueError(f"{style} has no background")
    return background.get_truecolor().hex


WATCH_FILLS = tuple(_fill_of(style) for style in WATCH)
"""Orange, from a little to a lot."""
CALM_FILLS = tuple(_fill_of(style) for style in CALM)
"""Blue, from a little to a lot."""
BEFORE, AFTER = "#3a62b8", "#a45200"
"""Lines before (dashed) and after (whole); both above 4.5 : 1 on white, WCAG 2.2, 1.4.3."""
LIMIT = "#7a0000"


def fill_of(value: float, *, watch_sign: int) -> str:
    """Return a cell's fill.

    Parameters
    ----------
    value
        The percentage; white where it is small, grey where it is not known. [%]
    watch_sign
        Sign of the side that hurts this engine: +1 or -1.

    Examples
    --------
    >>> fill_of(0.4, watch_sign=1), fill_of(8.0, watch_sign=1), fill_of(8.0, watch_sign=-1)
    ('#ffffff', '#d78700', '#5f87d7')
    """
    if not math.isfinite(value):
        return NOTHING
    return fill_of_depth(depth_of(value, watch_sign=watch_sign))


def fill_of_depth(depth: int) -> str:
    """Return the fill of a shade as `tuneassist.show.look.depth_of` has it."""
    if depth == 0:
        return PAPER
    return WATCH_FILLS[depth - 1] if depth > 0 else CALM_FILLS[-depth - 1]


def fill_of_cell(shown: CellShown) -> str:
    """Return the fill of a cell: its shade, and grey where nothing is claimed."""
    return fill_of_depth(shown.shade) if shown.state == "value" else NOTHING
