"""Maps by rpm and load: deviation with confidence, and the step."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from tuneassist.settings import Setup
from tuneassist.show.cell_picture import (
    CellPicture,
    deviation_picture,
    step_picture,
    unsafe_deviation_sign,
    unsafe_step_sign,
)
from tuneassist.show.display import BEYOND_WORDS, STEPS_PCT, CellMark
from tuneassist.show.figures.colours import INK, SAFE_FILLS, UNSAFE_FILLS
from tuneassist.show.figures.danger import danger_key, draw_dangers
from tuneassist.show.figures.drawing import (
    MARKS,
    draw_picture,
    frame_or_new,
    legend_below,
    map_size,
    set_title,
)
from tuneassist.show.map_dangers import MapDangers, deviation_dangers, step_dangers

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
    picture, sign = deviation_picture(cells, setup), unsafe_deviation_sign(setup)
    dangers = deviation_dangers(cells, picture, setup)
    target = "the floor" if setup.target.kind == "floor" else "target"
    words = (f"leaner than {target}", f"richer than {target}")
    _draw_map(frame, picture, dangers, words, unsafe_sign=sign, rule=f"+ is leaner than {target}")
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
    picture, sign = step_picture(cells, binding, setup), unsafe_step_sign(setup)
    quantity = "fuel" if setup.correction.acts_on == "fuel" else "air"
    words = (f"more {quantity}", f"less {quantity}")
    dangers = step_dangers(cells, setup)
    _draw_map(frame, picture, dangers, words, unsafe_sign=sign, rule=f"+ is more {quantity}")
    set_title(frame, title, is_simulated=is_simulated)
    return frame


def _draw_map(
    frame: Frame,
    picture: CellPicture,
    dangers: MapDangers,
    words: tuple[str, str],
    *,
    unsafe_sign: int,
    rule: str,
) -> None:
    """Draw a map with its dangers and legend; ``words`` say what + and - mean."""
    draw_picture(frame, picture, unsafe_sign=unsafe_sign)
    draw_dangers(frame, picture.axes, dangers)
    steps = ", ".join(f"{step:g}" for step in STEPS_PCT)
    rule = f"{rule}; shades and corners deepen at {steps} %. {mark_words(picture)}"
    handles = [*_side_key(words, unsafe_sign), *danger_key(dangers)]
    legend_below(frame, handles, rule=rule)


_MARK_WORDS: Mapping[CellMark, str] = {
    "fair": "fair confidence",
    "low": "low confidence",
    "none": "confidence none",
    "beyond": BEYOND_WORDS,
    "held": "held back by a limit",
}


def mark_words(picture: CellPicture) -> str:
    """Say what the marks beside the numbers mean, those that the picture has."""
    seen = {one.mark for one in picture.cells}
    marks = [f"{MARKS.mark(mark)} {words}" for mark, words in _MARK_WORDS.items() if mark in seen]
    if seen & {"fair", "low", "none", "beyond"}:
        marks.insert(0, "no mark: good confidence")
    states = {one.state for one in picture.cells}
    if "nothing" in states:
        marks.append(f"{MARKS.no_evidence} no evidence")
    if "left alone" in states:
        marks.append(f"{MARKS.left_alone} left alone")
    return ", ".join(marks)


def _side_key(words: tuple[str, str], unsafe_sign: int) -> list[Any]:
    """Return the legend's handles of the two sides: fill, and a corner at the top or bottom."""
    from matplotlib.lines import Line2D

    fills = (UNSAFE_FILLS[1], SAFE_FILLS[1])
    plus, minus = fills if unsafe_sign > 0 else fills[::-1]
    hurts = ("the side that hurts", "")
    says = hurts if unsafe_sign > 0 else hurts[::-1]
    return [
        Line2D([], [], linestyle="", marker=mark, markersize=8, markerfacecolor=fill,
               markeredgecolor=INK, label=f"{sign} {what}{', ' if more else ''}{more}, {corner}")
        for mark, fill, sign, what, more, corner in (
            ("^", plus, "+", words[0], says[0], "corner at the top"),
            ("v", minus, "-", words[1], says[1], "corner at the bottom"),
        )
    ]  # fmt: skip
