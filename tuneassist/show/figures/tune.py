"""Figures of the tune loop: rounds, the engine's response, and the holds of a fit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from tuneassist.grid import Axes
from tuneassist.loop.advice import RoundSummary
from tuneassist.loop.response import Response
from tuneassist.settings import Setup
from tuneassist.show.figures.colours import (
    AFTER,
    BEFORE,
    INK,
    LIMIT,
    PAPER,
    SAFE_FILLS,
    UNSAFE_FILLS,
)
from tuneassist.show.figures.danger import danger_key, draw_dangers
from tuneassist.show.figures.drawing import (
    frame_or_new,
    label_axes,
    legend_below,
    map_positions,
    map_scales,
    map_size,
    set_title,
)
from tuneassist.show.map_dangers import map_dangers

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame

MOST_NAMED_ROUNDS = 5
"""More rounds than this have no room for their numbers. [1]"""
FLAT_PCT = 1.0
"""Residuals smaller than this are drawn as dots, without a side. [%]"""


def rounds_frame(summaries: Sequence[RoundSummary]) -> pd.DataFrame:
    """Return rounds as a tidy frame: number, cells_seen, cells_inside, rms_pct, response ..."""
    return pd.DataFrame([one.__dict__ for one in summaries])


def plot_rounds(
    rounds: pd.DataFrame, *, is_simulated: bool = False, ax: Frame | None = None
) -> Frame:
    """Draw the rms deviation and the share of cells inside tolerance, round by round.

    Parameters
    ----------
    rounds
        From `rounds_frame`: ``number, rms_pct, cells_seen, cells_inside``.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure.

    Returns
    -------
    matplotlib.axes.Axes
        How many cells are inside stands beside each round, so that one scale is enough.
    """
    frame = frame_or_new(ax)
    number = rounds["number"].to_numpy(dtype=int)
    rms = rounds["rms_pct"].to_numpy(dtype=float)
    frame.plot(number, rms, "o-", color=AFTER, label="rms deviation of the known cells")
    is_named = np.isin(np.arange(len(number)), _named_rounds(len(number)))
    for x, value, inside, seen in zip(
        number[is_named], rms[is_named], rounds["cells_inside"][is_named],
        rounds["cells_seen"][is_named], strict=True,
    ):  # fmt: skip
        if np.isfinite(value):  # right of the point and above it: the line comes from above
            frame.annotate(f"{value:.2f} %\n{inside} of {seen}", (x, value), xytext=(5, 4),
                           textcoords="offset points", ha="left", va="bottom", fontsize=8,
                           color=INK)  # fmt: skip
    label_axes(frame, "round", "rms deviation (%)")
    frame.set_xticks(number)
    frame.set_xlim(number.min() - 0.5, number.max() + 0.25 * len(number) + 0.4)
    frame.set_ylim(0, 1.45 * float(np.nanmax(rms)) if np.isfinite(rms).any() else 1.0)
    legend_below(
        frame, rule="Beside a point: rms; cells within tolerance of target, of those seen."
    )
    set_title(frame, "Rounds", is_simulated=is_simulated)
    return frame


def _named_rounds(count: int) -> list[int]:
    """Return which rounds have their numbers beside them: of many, the first and the last."""
    return list(range(count)) if count <= MOST_NAMED_ROUNDS else [0, count - 1]


def plot_response(
    response: Response, *, is_simulated: bool = False, ax: Frame | None = None
) -> Frame:
    """Draw how the engine responded to the last change: 1 is as expected, 0 is no response.

    Parameters
    ----------
    response
        From `tuneassist.loop.response.measure_response`; its parts of the map are drawn too.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure.
    """
    frame = frame_or_new(ax)
    rows = [("whole map", response.response, response.response_low, response.response_high)]
    columns = ("region", "response", "low", "high")
    rows += [tuple(row[c] for c in columns) for row in response.regions.to_dict("records")]
    known = [row for row in rows if np.isfinite(row[1])]
    for down, (_, value, low, high) in enumerate(known):
        frame.plot([low, high], [down, down], "-", color=BEFORE, linewidth=3, solid_capstyle="butt")
        frame.plot(value, down, "o", color=INK, markersize=6)
        frame.annotate(f"{value:.2f}", (value, down), xytext=(0, 7), ha="center", fontsize=8,
                       textcoords="offset points",
                       bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6})  # fmt: skip
    label_axes(frame, "", "")
    frame.set_xlabel("measured over expected change\n(bar: 95 % interval)")
    frame.set_yticks(range(len(known)), [str(row[0]).replace(" and ", ",\n") for row in known])
    frame.set_ylim(len(known) - 0.4, -0.6)
    ends = [0.0, 1.0, *(x for row in known for x in row[2:])]
    frame.set_xlim(min(ends) - 0.15, max(ends) + 0.15)
    for at, words in ((1.0, "as expected"), (0.0, "no response")):
        frame.axvline(at, color=INK if at else LIMIT, linestyle="-" if at else ":", linewidth=1)
        frame.text(at, 1.01, words, ha="center", va="bottom", fontsize=8,
                   transform=frame.get_xaxis_transform())  # fmt: skip
    data = " (simulated data)" if is_simulated else ""
    frame.set_title(f"Engine response{data}", loc="left", fontsize=10, pad=18)
    return frame


def plot_holds(
    residuals: pd.DataFrame,
    axes: Axes,
    *,
    setup: Setup | None = None,
    readings: pd.DataFrame | None = None,
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw where the holds were, and how far each is from the fit.

    Parameters
    ----------
    residuals
        From `tuneassist.evidence.residuals.hold_residuals`: ``rpm, load, residual_pct, is_used``.
    axes
        The breakpoints.
    setup
        Draws the start of boost and the ceilings; None does not.
    readings
        As for `tuneassist.show.figures.coverage.plot_coverage`.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure.

    Returns
    -------
    matplotlib.axes.Axes
        Up: leaner than the fit, down: richer; size shows the distance; hollow: not used.
    """
    frame = frame_or_new(ax, map_size(axes))
    map_scales(frame, axes)
    frame.grid(color="#e0e0e0", linewidth=0.6)
    frame.set_axisbelow(True)
    x, y = map_positions(axes, residuals)
    value = residuals["residual_pct"].to_numpy(dtype=float)
    is_used = residuals["is_used"].to_numpy(dtype=bool) & np.isfinite(value)
    size = 14.0 + 14.0 * np.minimum(np.abs(np.nan_to_num(value)), 8.0)
    kinds = (
        (is_used & (value >= FLAT_PCT), "^", UNSAFE_FILLS[1], f"leaner by {FLAT_PCT:g} % or more"),
        (is_used & (value <= -FLAT_PCT), "v", SAFE_FILLS[2], f"richer by {FLAT_PCT:g} % or more"),
        (is_used & (np.abs(value) < FLAT_PCT), "o", INK, f"within {FLAT_PCT:g} % of the fit"),
        (~is_used, "o", "none", "not used"),
    )
    for inside, mark, fill, words in kinds:
        if inside.any():
            marks = 12.0 if fill == INK else size[inside]
            label = f"{words}: {int(inside.sum())}"
            frame.scatter(x[inside], y[inside], s=marks, marker=mark, facecolor=fill, lw=0.7,
                          edgecolor=INK, label=label, zorder=3)  # fmt: skip
    handles = list(frame.get_legend_handles_labels()[0])
    if setup is not None:
        none = pd.DataFrame(index=range(axes.size))
        dangers = map_dangers(none if readings is None else readings, setup)
        draw_dangers(frame, axes, dangers)
        handles += danger_key(dangers)
    rule = "Triangles up: leaner than the fit, down: richer; the larger, the farther."
    legend_below(frame, handles, rule=rule)
    set_title(frame, "Holds, and how far each is from the fit", is_simulated=is_simulated)
    return frame
