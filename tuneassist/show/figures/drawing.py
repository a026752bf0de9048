"""Shared by all figures: axes to draw into, scales of a cell map, safe text."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.grid import Axes, Floats
from tuneassist.inert import inert
from tuneassist.show.cell_picture import CellPicture, text_of
from tuneassist.show.display import Display, plain
from tuneassist.show.figures.colours import EDGE, GRID, INK, fill_of_cell

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame
    from matplotlib.figure import Figure

FONTS = ("DejaVu Sans", "Verdana", "Segoe UI", "Arial", "Helvetica", "sans-serif")
"""Fonts of about one width, of which a reader's program takes the first that it has."""
MARKS = Display()
"""Marks of figures and pages, which can show all characters."""
LINE_SIZE = (4.6, 3.6)
"""Width and height of a figure of curves, readable at the width of a phone. [inch]"""
LEAST_MAP_WIDTH = 4.6
"""A map of few cells is as wide as a figure of curves: its legend needs the room. [inch]"""
TITLE_SIZE = 10.0
"""Size of the type of a title. [pt]"""
KEY_SIZE = 7.5
"""Size of the type of a legend. [pt]"""
HANDLE_INCHES = 0.62
"""Width of a legend's sign with the room around it. [inch]"""
SCALE_INCHES = 0.75
"""Width of a scale with its name; a title begins right of it. [inch]"""
SIMULATED, KEEP = "simulated data", "\x1f"
"""Words on simulated data, and what keeps them on one line."""
AXES_SHARE = 0.775
"""Share of a figure that axes fill by default; the legend may be as wide as the figure. [1]"""
KEY_COLUMN, MOST_KEY_COLUMNS = 2.1, 3
"""Least width of a column of a legend, and the most of them. [inch], [1]"""
CHARACTER_SHARE = 0.56
"""Mean width of a character, as a share of the type's size. [1]"""
POINTS_PER_INCH = 72.0
LEAST_CHARACTERS = 16
"""No line of text is wrapped shorter than this. [1]"""
WEDGES = (0.13, 0.2, 0.27)
"""Size of the corner of a cell by depth of shade. [cells]"""


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
    return (max(1.6 + 0.62 * columns, LEAST_MAP_WIDTH), 2.4 + 0.42 * rows)


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
    leave_out_of_layout(frame)
    map_scales(frame, axes)


def leave_out_of_layout(frame: Frame) -> None:
    """Do not measure what lies inside the cells of a map: hundreds of texts that need no room."""
    for artist in (*frame.texts, *frame.patches):
        artist.set_in_layout(False)


def draw_picture(frame: Frame, picture: CellPicture, *, unsafe_sign: int) -> None:
    """Draw a picture of cells: numbers, marks, fills, and a corner that tells + from - in grey."""
    words = [f"{text_of(one, MARKS)}{MARKS.mark(one.mark)}" for one in picture.cells]
    map_cells(frame, picture.axes, [fill_of_cell(one) for one in picture.cells], words)
    depths = np.array([unsafe_sign * one.shade for one in picture.cells], dtype=np.int64)
    draw_wedges(frame, picture.axes, depths)


def draw_wedges(frame: Frame, axes: Axes, depths: npt.NDArray[np.int64]) -> None:
    """Fill a corner of each cell, the larger the deeper: at the top for +, at the bottom for -.

    Parameters
    ----------
    frame
        Of a map.
    axes
        The breakpoints.
    depths
        -3 to 3 for each cell, in cell order; 0 draws none.
    """
    from matplotlib.collections import PolyCollection

    at = np.flatnonzero(depths)
    if not len(at):
        return
    down, across = np.divmod(at, len(axes.load))
    way = -np.sign(depths[at])  # rows go down: the top of a cell is the smaller value
    size = np.array([0.0, *WEDGES])[np.abs(depths[at])]
    x, y = across + 0.5, down + 0.5 * way
    corners = np.stack(
        [np.stack([x, y], 1), np.stack([x - size, y], 1), np.stack([x, y - way * size], 1)], 1
    )
    frame.add_collection(PolyCollection(list(corners), facecolor=INK, linewidth=0, zorder=2))


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
    data = f" ({SIMULATED.replace(' ', KEEP)})" if is_simulated else ""
    text = wrapped(f"{words}{data}", frame_room(frame) - SCALE_INCHES, TITLE_SIZE)
    frame.set_title(escape_math(text.replace(KEEP, " ")), loc="left", fontsize=TITLE_SIZE)


def frame_room(frame: Frame) -> float:
    """Width that a frame and what stands beside it may fill, before it is laid out. [inch]"""
    share = min(frame.get_position(original=True).width / AXES_SHARE, 1.0)
    return 0.95 * share * float(figure_of(frame).get_size_inches()[0])


def wrapped(words: str, inches: float, size: float) -> str:
    """Break a text into lines that fit a width.

    Parameters
    ----------
    words
        The text.
    inches
        The width. [inch]
    size
        Size of the type. [pt]
    """
    room = max(int(inches * POINTS_PER_INCH / (CHARACTER_SHARE * size)), LEAST_CHARACTERS)
    return "\n".join(textwrap.wrap(words, room)) or words


def legend_below(
    frame: Frame, handles: Sequence[Any] | None = None, *, rule: str = "", down: float = 0.5
) -> None:
    """Put a legend below a frame's scale, in as many columns as there is room for.

    Parameters
    ----------
    frame
        The frame.
    handles
        The signs, each with its label; None takes those of the frame's own artists.
    rule
        Sentence above the signs, such as the rule of the sign.
    down
        Distance below the frame. [inch]
    """
    from matplotlib.lines import Line2D
    from matplotlib.transforms import ScaledTranslation

    if handles is None:
        handles = frame.get_legend_handles_labels()[0]
    if not handles and not rule:
        return
    handles = handles or [Line2D([], [], linestyle="", label=" ")]  # the rule stands alone
    room = frame_room(frame)
    columns = _key_columns(len(handles), room)
    width = room / columns - HANDLE_INCHES
    labels = [wrapped(plain(one.get_label()), width, KEY_SIZE) for one in handles]
    shift = ScaledTranslation(0, -down, figure_of(frame).dpi_scale_trans)
    frame.legend(
        handles=list(handles), labels=[in_legend(escape_math(label)) for label in labels],
        title=escape_math(wrapped(rule, room, KEY_SIZE)) or None,
        title_fontsize=KEY_SIZE, fontsize=KEY_SIZE, alignment="left", loc="upper center",
        bbox_to_anchor=(0.5, 0.0), ncols=columns, frameon=False,
        bbox_transform=frame.transAxes + shift, borderpad=0.2, columnspacing=1.2,
    )  # fmt: skip


def in_legend(label: str) -> str:
    """Return a label that a legend shows: it leaves out those that begin with an underscore."""
    return f" {label}" if label.startswith("_") else label


def _key_columns(count: int, room: float) -> int:
    """Columns of a legend of so many signs for which there is room."""
    return int(np.clip(min(count // 2, room / KEY_COLUMN), 1, MOST_KEY_COLUMNS))


def text_stays_text(salt: str = "") -> Any:
    """Return the settings of written pictures: text that can be searched, in fonts that fall back.

    Parameters
    ----------
    salt
        Makes the ids of an SVG the same each time; empty leaves them to chance.
    """
    more = {"svg.hashsalt": salt} if salt else {}
    return {
        "svg.fonttype": "none",
        "pdf.fonttype": 42,  # TrueType
        "font.family": "sans-serif",
        "font.sans-serif": list(FONTS),
        **more,
    }


def clean_text(figure: Figure) -> None:
    """Remove control characters from all text of a figure before it is written."""
    from matplotlib.text import Text

    for found in figure.findobj(Text):
        words = found.get_text()
        safe = "\n".join(inert(line) for line in words.split("\n"))
        if safe != words:
            found.set_text(safe)


def escape_math(text: str) -> str:
    """Escape $ in text from files, which would start a formula; lines stay lines."""
    return "\n".join(plain(line) for line in text.split("\n")).replace("$", r"\$")
