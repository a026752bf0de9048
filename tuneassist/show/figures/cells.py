"""Maps by rpm and load: deviation with confidence, and the step."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from tuneassist.evidence.cells import is_beyond_holds
from tuneassist.settings import Setup
from tuneassist.show.figures.colours import NOTHING, PAPER, fill_of
from tuneassist.show.figures.paint import frame_or_new, head, map_cells, map_size
from tuneassist.show.look import Look, signed

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame

MARKS = Look()


def hurts(setup: Setup) -> int:
    """Return the sign of the deviation that hurts: + (lean) for spark, - (rich) otherwise."""
    return 1 if setup.engine.ignition == "spark" else -1


def step_hurts(setup: Setup) -> int:
    """Return the sign of the step that is the unsafe way."""
    is_rich_safe = setup.engine.ignition == "spark" and setup.correction.acts_on == "fuel"
    return -1 if is_rich_safe else 1


def deviation_words(cells: pd.DataFrame) -> list[tuple[str, str]]:
    """Return for each cell the number and the mark of its confidence.

    Parameters
    ----------
    cells
        With ``target_lambda, deviation_pct, ci_low_pct, ci_high_pct, confidence``.
    """
    return [
        _deviation(target, deviation, low, high, MARKS.confidence(str(word), is_beyond=beyond))
        for target, deviation, low, high, word, beyond in zip(
            cells["target_lambda"], cells["deviation_pct"], cells["ci_low_pct"],
            cells["ci_high_pct"], cells["confidence"], is_beyond_holds(cells), strict=True,
        )
    ]  # fmt: skip


def _deviation(
    target: float, deviation: float, low: float, high: float, mark: str
) -> tuple[str, str]:
    if pd.isna(target):
        return MARKS.left_alone, ""
    if pd.isna(deviation):
        for sign, bound in ((">", low), ("<", high)):
            if not pd.isna(bound):
                return f"{sign}{signed(bound)}", ""
        return MARKS.nothing, ""
    return signed(deviation), mark.strip()


def deviation_fills(cells: pd.DataFrame, setup: Setup) -> list[str]:
    """Return each cell's fill; leaner than a floor is no fault and stays white."""
    watch, is_floor = hurts(setup), setup.target.kind == "floor"
    values = cells["deviation_pct"].fillna(cells["ci_low_pct"]).fillna(cells["ci_high_pct"])
    return [
        NOTHING if pd.isna(target)
        else PAPER if is_floor and value > 0
        else fill_of(value, watch_sign=watch)
        for target, value in zip(cells["target_lambda"], values, strict=True)
    ]  # fmt: skip


def step_words(cells: pd.DataFrame) -> list[str]:
    """Return for each cell its step, a dot without evidence, a cross without a value."""
    return [
        MARKS.left_alone if pd.isna(value)
        else MARKS.nothing if step == 0 and word == "none"
        else signed(step)
        for step, value, word in zip(
            cells["step_pct"], cells["grid_pct"], cells["confidence"], strict=True
        )
    ]  # fmt: skip


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
        What the map is of.
    is_simulated
        Whether the data are; then the title says so.
    ax
        Where to draw; None makes a figure.

    Returns
    -------
    matplotlib.axes.Axes
        Numbers and marks say what the colours say.
    """
    frame = frame_or_new(ax, map_size(setup.axes))
    words = [f"{text}{mark}" for text, mark in deviation_words(cells)]
    map_cells(frame, setup.axes, deviation_fills(cells, setup), words)
    head(frame, title, is_simulated=is_simulated)
    return frame


def plot_step(
    cells: pd.DataFrame,
    setup: Setup,
    *,
    title: str = "Proposed step, %",
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw the proposed step; parameters as for `plot_cells`, with ``step_pct, grid_pct``."""
    frame = frame_or_new(ax, map_size(setup.axes))
    watch = step_hurts(setup)
    fills = [
        NOTHING if pd.isna(value) else fill_of(step, watch_sign=watch)
        for step, value in zip(cells["step_pct"], cells["grid_pct"], strict=True)
    ]
    map_cells(frame, setup.axes, fills, step_words(cells))
    head(frame, title, is_simulated=is_simulated)
    return frame
