"""The colours of figures and pages, taken from those of the terminal screens.

Orange is the unsafe side, blue the safe side. The pair stays distinct under deuteranopia and
protanopia (tests/test_plots.py measures it), and every cell shows its number, so that no meaning
depends on colour.
"""

from __future__ import annotations

import math

from rich.style import Style

from tuneassist.show.cell_picture import CellShown
from tuneassist.show.display import SAFE_SHADES, UNSAFE_SHADES, depth_of

INK = "#1a1a1a"
PAPER = "#ffffff"
NOTHING = "#f2f2f2"
"""A cell without evidence."""
EDGE = "#8c8c8c"
GRID = "#d9d9d9"
QUIET = "#4d4d4d"
"""Captions."""


def _fill_of(style: str) -> str:
    background = Style.parse(style).bgcolor
    if background is None:
        raise ValueError(f"{style} has no background")
    return background.get_truecolor().hex


UNSAFE_FILLS = tuple(_fill_of(style) for style in UNSAFE_SHADES)
"""Orange, from a little to a lot."""
SAFE_FILLS = tuple(_fill_of(style) for style in SAFE_SHADES)
"""Blue, from a little to a lot."""
BEFORE, AFTER = "#3a62b8", "#a45200"
"""Lines before (dashed) and after (whole); both above 4.5 : 1 on white, WCAG 2.2, 1.4.3."""
LIMIT = "#7a0000"


def fill_of(value: float, *, unsafe_sign: int) -> str:
    """Return a cell's fill.

    Parameters
    ----------
    value
        The percentage; white where it is small, grey where it is not known. [%]
    unsafe_sign
        Sign of the unsafe side for this engine: +1 or -1.

    Examples
    --------
    >>> fill_of(0.4, unsafe_sign=1), fill_of(8.0, unsafe_sign=1), fill_of(8.0, unsafe_sign=-1)
    ('#ffffff', '#d78700', '#5f87d7')
    """
    if not math.isfinite(value):
        return NOTHING
    return fill_of_depth(depth_of(value, unsafe_sign=unsafe_sign))


def fill_of_depth(depth: int) -> str:
    """Return the fill for a depth from `tuneassist.show.display.depth_of`."""
    if depth == 0:
        return PAPER
    return UNSAFE_FILLS[depth - 1] if depth > 0 else SAFE_FILLS[-depth - 1]


def fill_of_cell(shown: CellShown) -> str:
    """Return the fill of a cell: its shade, or grey without evidence."""
    return fill_of_depth(shown.shade) if shown.state == "value" else NOTHING
