"""Danger on a map: boost, ceilings, the side that hurts; each by shape as well as by colour."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from tuneassist.grid import Axes
from tuneassist.show.display import counted
from tuneassist.show.figures.colours import INK, LIMIT, PAPER
from tuneassist.show.map_dangers import BOOST_UNKNOWN, MapDangers

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame

Flags = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

BOOST_LINE = (0, (4, 1.5))
"""Dashes of the start of boost."""
BEYOND_HATCH = "////"
"""Hatch of the side beyond a ceiling; a floor leans the other way."""
INSET = 0.07
"""Room between a cell's edge and the frame of a cell that hurts. [cells]"""


def draw_dangers(frame: Frame, axes: Axes, dangers: MapDangers) -> None:
    """Draw the start of boost, cells beyond a ceiling and cells on the side that hurts."""
    from matplotlib.collections import LineCollection, PolyCollection

    if dangers.is_beyond.any():
        frame.add_collection(
            PolyCollection(list(_boxes(axes, dangers.is_beyond, 0.0)), facecolor="none",
                           edgecolor=LIMIT, hatch=BEYOND_HATCH, linewidth=0.0, alpha=0.55,
                           zorder=1.5)
        )  # fmt: skip
        frame.add_collection(LineCollection(_borders(axes, dangers.is_beyond), colors=LIMIT,
                                            linewidths=2.4, zorder=2.4))  # fmt: skip
    borders = _borders(axes, dangers.is_boost)
    for width, colour, style in ((3.6, PAPER, "-"), (2.0, INK, BOOST_LINE)):
        frame.add_collection(LineCollection(borders, colors=colour, linewidths=width,
                                            linestyles=[style], zorder=2.5))  # fmt: skip
    if dangers.is_hurting.any():
        frame.add_collection(
            PolyCollection(list(_boxes(axes, dangers.is_hurting, INSET)), facecolor="none",
                           edgecolor=LIMIT, linewidth=1.8, zorder=2.3)
        )  # fmt: skip


def danger_key(dangers: MapDangers) -> list[Any]:
    """Return the legend's handles of what `draw_dangers` drew, and what could not be drawn."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = []
    is_drawn = dangers.is_boost.any() and not dangers.is_boost.all()
    nowhere = f"{dangers.boost_words} ({'all' if dangers.is_boost.any() else 'no'} cells)"
    is_said = is_drawn or dangers.boost_words == BOOST_UNKNOWN
    handles.append(
        Line2D([], [], color=INK, linewidth=2.0, linestyle=BOOST_LINE if is_drawn else "",
               label=dangers.boost_words if is_said else nowhere)
    )  # fmt: skip
    if dangers.hurting_words:
        count = int(dangers.is_hurting.sum())
        label = f"framed: {counted(count, 'cell')} {dangers.hurting_words}"
        handles.append(Patch(facecolor="none", edgecolor=LIMIT, linewidth=1.8, label=label))
    if dangers.ceiling_words:
        count = int(dangers.is_beyond.sum())
        label = f"{counted(count, 'cell')} beyond a ceiling: {dangers.ceiling_words}"
        handles.append(Patch(facecolor="none", edgecolor=LIMIT, hatch=BEYOND_HATCH,
                             linewidth=1.0, label=label))  # fmt: skip
    else:
        handles.append(Line2D([], [], linestyle="", label="no ceiling is set"))
    return handles


def _boxes(axes: Axes, flags: Flags, inset: float) -> Floats:
    """Return the corners of the flagged cells, shape (cells, 4, 2)."""
    down, across = np.divmod(np.flatnonzero(flags), len(axes.load))
    half = 0.5 - inset
    corners = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    return np.asarray(np.column_stack([across, down])[:, None, :] + corners[None])


def _borders(axes: Axes, flags: Flags) -> list[Floats]:
    """Return the edges between cells with the flag and cells without, as segments."""
    table = flags.reshape(axes.shape)
    row, column = np.nonzero(table[:, 1:] != table[:, :-1])
    upright = [
        np.array([[c + 0.5, r - 0.5], [c + 0.5, r + 0.5]]) for r, c in zip(row, column, strict=True)
    ]
    row, column = np.nonzero(table[1:] != table[:-1])
    level = [
        np.array([[c - 0.5, r + 0.5], [c + 0.5, r + 0.5]]) for r, c in zip(row, column, strict=True)
    ]
    return [*upright, *level]
