"""The map of coverage: which cells were seen, held and trusted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from tuneassist.grid import Axes
from tuneassist.show.cell_picture import worth_words
from tuneassist.show.figures.drawing import (
    frame_or_new,
    map_positions,
    map_scales,
    map_size,
    set_title,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame

_FILLS: Mapping[str, tuple[str, str]] = {
    "left alone": ("#ffffff", "xx"),
    "unseen": ("#f2f2f2", ""),
    "seen": ("#d1e5f0", ".."),
    "held": ("#92c5de", "//"),
    "trusted": ("#4393c3", ""),
}
FAIR_FILL = "#6aafd6"
"""Trusted at fair confidence, between held and good."""
_WORDS = {
    "left alone": "left alone (no target)",
    "unseen": "unseen",
    "seen": "seen, no evidence of its own",
    "held": "evidence, low confidence",
    "trusted": "trusted (fair, darker: good)",
}


def plot_coverage(
    table: pd.DataFrame,
    axes: Axes,
    *,
    holds: pd.DataFrame | None = None,
    title: str = "Coverage",
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw which cells were seen, held and trusted.

    Parameters
    ----------
    table
        From `tuneassist.evidence.coverage.coverage_table`.
    axes
        The breakpoints; all cells are drawn the same size.
    holds
        Holds with ``rpm, load``, drawn at their position; None draws none. [rpm], [load unit]
    title
        Title of the map.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure.

    Returns
    -------
    matplotlib.axes.Axes
        States differ in shade, hatching and numbers, so that it can be printed in grey.
    """
    frame = frame_or_new(ax, map_size(axes))
    _draw_cells(frame, table, len(axes.load))
    map_scales(frame, axes)
    if holds is not None:
        x, y = map_positions(axes, holds)
        frame.plot(x, y, "o", color="#e08214", markersize=3.2, markeredgecolor="black",
                   markeredgewidth=0.4, zorder=3)  # fmt: skip
    set_title(frame, title, is_simulated=is_simulated)
    return frame


def _draw_cells(frame: Frame, table: pd.DataFrame, columns: int) -> None:
    from matplotlib.patches import Rectangle

    for cell, (state, worth, word) in enumerate(
        zip(table["state"], table["worth"], table["confidence"], strict=True)
    ):
        row, column = divmod(cell, columns)
        fill, hatch = _FILLS[state]
        if word == "fair":
            fill = FAIR_FILL
        frame.add_patch(
            Rectangle((column - 0.5, row - 0.5), 1.0, 1.0, facecolor=fill, edgecolor="#b0b0b0",
                      hatch=hatch, linewidth=0.6)
        )  # fmt: skip
        if state in ("held", "trusted"):
            # holds lie around the breakpoint in the middle: the text goes into a corner
            frame.text(
                column - 0.46, row - 0.45, f"{worth_words(worth)} {word}", ha="left", va="top",
                fontsize=8, zorder=4,
                bbox={"facecolor": fill, "edgecolor": "none", "pad": 0.6, "alpha": 0.9},
            )  # fmt: skip


def coverage_legend(table: pd.DataFrame, *, has_holds: bool = True) -> list[Any]:
    """Return the legend's handles, with the number of cells in each state."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    counts = table["state"].value_counts()
    handles: list[Any] = [
        Patch(
            facecolor=fill,
            hatch=hatch,
            edgecolor="#909090",
            label=f"{_WORDS[state]}: {int(counts.get(state, 0))}",
        )
        for state, (fill, hatch) in _FILLS.items()
    ]
    if has_holds:
        words = "a hold (numbers: evidence in holds; 0: interpolated)"
        handles.append(
            Line2D([], [], linestyle="", marker="o", color="#e08214", markeredgecolor="black",
                   markersize=5, label=words)
        )  # fmt: skip
    return handles
