"""Maps by rpm and load: deviation with confidence, and the step."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from tuneassist.settings import Setup
from tuneassist.show.cell_picture import deviation_picture, step_picture
from tuneassist.show.figures.drawing import draw_picture, frame_or_new, map_size, set_title

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame


def plot_cells(
    cells: pd.DataFrame,
    setup: Setup,
    *,
    title: str = "Deviation from target, %",
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw how far each cell is from target, with the mark of its confidence.

    Parameters
    ----------
    cells
        As in a proposal's ``cells``, in cell order. [%]
    setup
        Axes, ignition and kind of target.
    title
        Title of the map.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure.

    Returns
    -------
    matplotlib.axes.Axes
        Numbers and marks repeat what the colours show.
    """
    frame = frame_or_new(ax, map_size(setup.axes))
    draw_picture(frame, deviation_picture(cells, setup))
    set_title(frame, title, is_simulated=is_simulated)
    return frame


def plot_step(
    cells: pd.DataFrame,
    setup: Setup,
    *,
    binding: pd.DataFrame | None = None,
    title: str = "Proposed step, %",
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw the proposed step, with ! where a rule held it back.

    Parameters
    ----------
    cells
        As in a proposal's ``cells``, in cell order. [%]
    setup
        Axes and what the grid acts on.
    binding
        As in a proposal's ``limited.binding``; None marks nothing.
    title, is_simulated, ax
        As for `plot_cells`.

    Returns
    -------
    matplotlib.axes.Axes
        Numbers and marks repeat what the colours show.
    """
    frame = frame_or_new(ax, map_size(setup.axes))
    draw_picture(frame, step_picture(cells, binding, setup))
    set_title(frame, title, is_simulated=is_simulated)
    return frame
