"""Values found by hand on the map: what was found, what the surface says, what contradicts it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from tuneassist.grid import Floats
from tuneassist.settings import Setup
from tuneassist.show.cell_picture import unsafe_deviation_sign
from tuneassist.show.display import depth_of, signed
from tuneassist.show.figures.colours import INK, LIMIT, NOTHING, fill_of_depth
from tuneassist.show.figures.danger import danger_key, draw_dangers
from tuneassist.show.figures.drawing import (
    draw_wedges,
    frame_or_new,
    leave_out_of_layout,
    legend_below,
    map_cells,
    map_positions,
    map_size,
    set_title,
)
from tuneassist.show.map_dangers import map_dangers

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame

HEIGHT = 1.35
"""A cell has two numbers, so the map is so much higher. [1]"""
FOUND_AT, SURFACE_AT = -0.44, 0.46
"""Heights of the two numbers in a cell. [cells]"""


def plot_spots(
    spots: pd.DataFrame,
    surface_pct: Floats,
    setup: Setup,
    *,
    title: str = "Found by hand, and the surface, %",
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw the values found by hand over the surface that was fitted to them.

    Parameters
    ----------
    spots
        From `tuneassist.spots.spot_table`.
    surface_pct
        What each cell needs in total by the surface, in cell order; nan where it is not known. [%]
    setup
        Axes, ignition and limits.
    title
        Title of the map.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure.

    Returns
    -------
    matplotlib.axes.Axes
        In each cell: what was found there (above) and the surface (below); spots at their places.
    """
    axes, sign = setup.axes, unsafe_deviation_sign(setup)
    width, height = map_size(axes)
    frame = frame_or_new(ax, (width, height * HEIGHT))
    depths = np.array([depth_of(v, unsafe_sign=sign) for v in surface_pct], dtype=np.int64)
    fills = [
        fill_of_depth(depth) if np.isfinite(value) else NOTHING
        for depth, value in zip(depths.tolist(), surface_pct, strict=True)
    ]
    map_cells(frame, axes, fills, [""] * axes.size)
    draw_wedges(frame, axes, sign * depths)
    dangers = map_dangers(pd.DataFrame(index=range(axes.size)), setup)
    draw_dangers(frame, axes, dangers)
    _write_numbers(frame, spots, surface_pct, setup)
    leave_out_of_layout(frame)
    handles = [*_draw_spots(frame, spots, setup), *danger_key(dangers)]
    rule = "+ is leaner: needs more fuel. Bold above: found by hand; below: the surface."
    legend_below(frame, handles, rule=rule)
    set_title(frame, title, is_simulated=is_simulated)
    return frame


def _write_numbers(frame: Frame, spots: pd.DataFrame, surface_pct: Floats, setup: Setup) -> None:
    """Write in each cell what was found nearest to it, and the surface."""
    columns = len(setup.axes.load)
    x, y = map_positions(setup.axes, spots)
    cells = np.rint(y).astype(int) * columns + np.rint(x).astype(int)
    found = spots["found_pct"].groupby(cells).agg(["min", "max"])
    for cell, value in enumerate(surface_pct):
        row, column = divmod(cell, columns)
        if np.isfinite(value):
            frame.text(column, row + SURFACE_AT, signed(value), ha="center", va="bottom",
                       fontsize=7, color=INK, zorder=4)  # fmt: skip
    for cell, low, high in zip(found.index, found["min"], found["max"], strict=True):
        row, column = divmod(int(cell), columns)
        words = signed(low) if signed(low) == signed(high) else f"{low:+z.0f}..{high:+z.0f}"
        frame.text(column, row + FOUND_AT, words, ha="center", va="top", fontsize=7,
                   fontweight="bold", color=INK, zorder=4)  # fmt: skip


def _draw_spots(frame: Frame, spots: pd.DataFrame, setup: Setup) -> list[Any]:
    """Mark each spot at its place; a contradicted one by shape as well; return the handles."""
    x, y = map_positions(setup.axes, spots)
    is_odd = spots["is_contradicted"].to_numpy(dtype=bool)
    looks = (
        (~is_odd, "o", "#ffffff", INK, 4.0, "found by hand"),
        (is_odd, "X", LIMIT, "#ffffff", 8.0, "contradicted by other spots: find it again"),
    )
    handles = []
    for inside, mark, fill, edge, size, words in looks:
        (line,) = frame.plot(x[inside], y[inside], linestyle="", marker=mark, markersize=size,
                             markerfacecolor=fill, markeredgecolor=edge, markeredgewidth=0.8,
                             label=f"{words}: {int(inside.sum())}", zorder=5)  # fmt: skip
        if inside.any():
            handles.append(line)
    return handles
