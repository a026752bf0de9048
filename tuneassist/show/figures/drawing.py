"""Shared by all figures: axes to draw into, scales of a cell map, safe text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from tuneassist.grid import Axes, Floats
from tuneassist.inert import inert
from tuneassist.show.cell_picture import CellPicture, text_of
from tuneassist.show.display import Display, plain
from tuneassist.show.figures.colours import EDGE, GRID, INK, fill_of_cell

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame
    from matplotlib.figure import Figure

MARKS = Display()
"""Marks of figures and pages, which can show all characters."""
LINE_SIZE = (4.6, 3.2)
"""Width and height of a figure of curves, readable at the width of a phone. [inch]"""


def frame_or_new(ax: Frame | None, size: tuple[float, float] = LINE_SIZE) -> Frame:
    """Return the axes given, or those of a new figure."""
    if ax is not None:
        return ax
    from matplotlib.figure import Figure

    return Figure(figsize=size, layout="constrained").add_subplot()


def figure_of(frame: Frame) -> Figure:
    """Return the figure of the axes."""
    from matplotlib.figure import Figure

    figure = frame.get_figure()
    if not isinstance(figure, Figure):
        raise ValueError("the axes belong to no figure")
    return figure


def map_size(axes: Axes) -> tuple[float, float]:
    """Size of a figure with one cell per breakpoint. [inch]"""
    rows, columns = axes.shape
    return (1.6 + 0.62 * columns, 1.3 + 0.42 * rows)


def map_scales(frame: Frame, axes: Axes) -> None:
    """Put the breakpoints on a frame's two scales, all cells the same size."""
    rows, columns = axes.shape
    frame.set_xticks(range(columns), [f"{load:g}" for load in axes.load])
    frame.set_yticks(range(rows), [f"{rpm:g}" for rpm in axes.rpm])
    frame.set_xlim(-0.5, columns - 0.5)
    frame.set_ylim(rows - 0.5, -0.5)
    frame.set_xlabel(escape_math(f"{axes.load_name} ({axes.load_unit})"))
    frame.set_ylabel("engine speed (rpm)")
    frame.tick_params(length=0)


def map_cells(frame: Frame, axes: Axes, fills: Sequence[str], words: Sequence[str]) -> None:
    """Draw one box per cell, in cell order, with its text."""
    from matplotlib.patches import Rectangle

    columns = len(axes.load)
    for cell, (fill, text) in enumerate(zip(fills, words, strict=True)):
        row, column = divmod(cell, columns)
        frame.add_patch(
            Rectangle((column - 0.5, row - 0.5), 1.0, 1.0, facecolor=fill, edgecolor=EDGE,
                      linewidth=0.6)
        )  # fmt: skip
        if text:
            frame.text(column, row, text, ha="center", va="center", fontsize=8, color=INK)
    map_scales(frame, axes)


def draw_picture(frame: Frame, picture: CellPicture) -> None:
    """Draw a picture of cells: numbers, marks and fills."""
    words = [f"{text_of(one, MARKS)}{MARKS.mark(one.mark)}" for one in picture.cells]
    map_cells(frame, picture.axes, [fill_of_cell(one) for one in picture.cells], words)


def map_positions(axes: Axes, rows: pd.DataFrame) -> tuple[Floats, Floats]:
    """Positions of rows with ``rpm`` and ``load`` on a cell map: across and down."""
    rpm, load = (rows[name].to_numpy(dtype=float) for name in ("rpm", "load"))
    across = np.interp(load, axes.load, np.arange(len(axes.load)))
    down = np.interp(rpm, axes.rpm, np.arange(len(axes.rpm)))
    return np.asarray(across), np.asarray(down)


def label_axes(frame: Frame, across: str, up: str) -> None:
    """Name a curve's scales and draw a light grid behind it."""
    frame.set_xlabel(escape_math(across))
    frame.set_ylabel(escape_math(up))
    frame.grid(color=GRID, linewidth=0.6)
    frame.set_axisbelow(True)
    for side in ("top", "right"):
        frame.spines[side].set_visible(False)


def set_title(frame: Frame, words: str, *, is_simulated: bool) -> None:
    """Set a figure's title; simulated data are always marked."""
    data = " (simulated data)" if is_simulated else ""
    frame.set_title(escape_math(f"{words}{data}"), loc="left", fontsize=10)


def legend_below(frame: Frame, **rest: Any) -> None:
    """Put a legend at a fixed distance below a frame's scale."""
    from matplotlib.transforms import ScaledTranslation

    down = ScaledTranslation(0, -0.5, figure_of(frame).dpi_scale_trans)
    frame.legend(loc="upper center", bbox_to_anchor=(0.5, 0.0), ncols=2, frameon=False, fontsize=8,
                 bbox_transform=frame.transAxes + down, **rest)  # fmt: skip


def clean_text(figure: Figure) -> None:
    """Remove control characters from all text of a figure before it is written."""
    from matplotlib.text import Text

    for found in figure.findobj(Text):
        words = found.get_text()
        safe = "\n".join(inert(line) for line in words.split("\n"))
        if safe != words:
            found.set_text(safe)


def escape_math(text: str) -> str:
    """Escape $ in text from files, which would start a formula."""
    return plain(text).replace("$", r"\$")
