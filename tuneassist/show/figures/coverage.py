"""The map of coverage: how sure each cell is, and which cells are the exceptions."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from tuneassist.grid import Axes
from tuneassist.settings import Setup
from tuneassist.show.cell_picture import worth_words
from tuneassist.show.figures.colours import NOTHING, PAPER
from tuneassist.show.figures.danger import danger_key, draw_dangers
from tuneassist.show.figures.drawing import (
    frame_or_new,
    leave_out_of_layout,
    legend_below,
    map_positions,
    map_scales,
    map_size,
    set_title,
)
from tuneassist.show.map_dangers import map_dangers

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame

WIDTHS_PCT = (1.0, 2.0, 4.0)
"""Half widths of the interval at which the shade pales; the first is a tune's tolerance. [%]"""
_SURE_FILLS = ("#4393c3", "#8cc0dd", "#bfdcec", "#e6f1f7")
"""From sure to hardly known."""
_EXCEPTIONS: Mapping[str, tuple[str, str]] = {
    "left alone": (PAPER, "xx"),
    "unseen": (NOTHING, ""),
    "seen": (NOTHING, ".."),
}
"""Fill and hatch of the states without a value."""
LOW_HATCH = "//"
_WORDS = {
    "left alone": "left alone (no target)",
    "unseen": "unseen",
    "seen": "seen, no evidence of its own",
}
HOLD_COLOUR = "#e08214"


def plot_coverage(
    table: pd.DataFrame,
    axes: Axes,
    *,
    holds: pd.DataFrame | None = None,
    setup: Setup | None = None,
    readings: pd.DataFrame | None = None,
    title: str = "Coverage",
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw how sure each cell is, by the width of its interval, and mark the exceptions.

    Parameters
    ----------
    table
        From `tuneassist.evidence.coverage.coverage_table`.
    axes
        The breakpoints; all cells are drawn the same size.
    holds
        Holds with ``rpm, load``, drawn at their position; None draws none. [rpm], [load unit]
    setup
        Draws the start of boost and the ceilings; None does not.
    readings
        The evidence's cells, whose highest readings are held against the ceilings; None has none.
    title
        Title of the map.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure with a legend.

    Returns
    -------
    matplotlib.axes.Axes
        Shades differ in lightness and exceptions in hatching, so that it can be printed in grey.
    """
    frame = frame_or_new(ax, map_size(axes))
    _draw_cells(frame, table, len(axes.load))
    leave_out_of_layout(frame)
    map_scales(frame, axes)
    dangers = None if setup is None else map_dangers(_or_none(readings, axes), setup)
    if dangers is not None:
        draw_dangers(frame, axes, dangers)
    if holds is not None:
        x, y = map_positions(axes, holds)
        frame.plot(x, y, "o", color=HOLD_COLOUR, markersize=3.2, markeredgecolor="black",
                   markeredgewidth=0.4, zorder=3)  # fmt: skip
    handles = coverage_legend(table, has_holds=holds is not None)
    handles += [] if dangers is None else danger_key(dangers)
    legend_below(frame, handles, rule=_rule(table))
    set_title(frame, title, is_simulated=is_simulated)
    return frame


def _or_none(readings: pd.DataFrame | None, axes: Axes) -> pd.DataFrame:
    return pd.DataFrame(index=range(axes.size)) if readings is None else readings


def _rule(table: pd.DataFrame) -> str:
    if table["half_width_pct"].notna().any():
        return "Numbers: half of the 95 % interval of the deviation, in percent; smaller is surer."
    return "Numbers: evidence, in holds."


def _draw_cells(frame: Frame, table: pd.DataFrame, columns: int) -> None:
    from matplotlib.patches import Rectangle

    for cell, (state, half, worth, word) in enumerate(
        zip(table["state"], table["half_width_pct"], table["worth"], table["confidence"],
            strict=True)
    ):  # fmt: skip
        row, column = divmod(cell, columns)
        fill, hatch = _look(state, half, word)
        frame.add_patch(
            Rectangle((column - 0.5, row - 0.5), 1.0, 1.0, facecolor=fill, edgecolor="#b0b0b0",
                      hatch=hatch, linewidth=0.6)
        )  # fmt: skip
        if state in ("held", "trusted"):
            # holds lie around the breakpoint in the middle: the text goes into a corner
            frame.text(
                column - 0.46, row - 0.45, _cell_words(half, worth, word), ha="left", va="top",
                fontsize=8, zorder=4,
                bbox={"facecolor": fill, "edgecolor": "none", "pad": 0.6, "alpha": 0.9},
            )  # fmt: skip


def _look(state: str, half: float, word: str) -> tuple[str, str]:
    """Return fill and hatch of a cell."""
    if state in _EXCEPTIONS:
        return _EXCEPTIONS[state]
    depth = int(np.searchsorted(WIDTHS_PCT, half)) if np.isfinite(half) else 1
    return _SURE_FILLS[depth], LOW_HATCH if word in ("low", "none") else ""


def _cell_words(half: float, worth: float, word: str) -> str:
    """Return the half width; where it is not known, what the evidence is worth."""
    if not np.isfinite(half):
        return f"{worth_words(worth)} {word}"
    return f"±{half:.1f}" if half < 9.95 else f"±{min(half, 999.0):.0f}"


def coverage_legend(table: pd.DataFrame, *, has_holds: bool = True) -> list[Any]:
    """Return the legend's handles: widths, and exceptions, each with its number of cells."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    known = table[table["state"].isin(("held", "trusted"))]
    depth = np.searchsorted(WIDTHS_PCT, known["half_width_pct"].dropna())
    ends = [f"±{width:g}" for width in WIDTHS_PCT]
    names = [f"to {ends[0]} %", *(f"{a} to {b} %" for a, b in pairwise(ends)),
             f"over {ends[-1]} %"]  # fmt: skip
    handles: list[Any] = [
        Patch(facecolor=fill, edgecolor="#909090", label=f"{name}: {int((depth == n).sum())}")
        for n, (fill, name) in enumerate(zip(_SURE_FILLS, names, strict=True))
    ]
    low = int(known["confidence"].isin(("low", "none")).sum())
    looks = [(PAPER, LOW_HATCH, f"low confidence: {low}", low)]
    counts = table["state"].value_counts()
    for state, (fill, hatch) in _EXCEPTIONS.items():
        count = int(counts.get(state, 0))
        looks.append((fill, hatch, f"{_WORDS[state]}: {count}", count))
    handles += [
        Patch(facecolor=fill, hatch=hatch, edgecolor="#909090", label=label)
        for fill, hatch, label, count in looks
        if count
    ]
    if has_holds:
        handles.append(
            Line2D([], [], linestyle="", marker="o", color=HOLD_COLOUR, markeredgecolor="black",
                   markersize=5, label="a hold")
        )  # fmt: skip
    return handles
