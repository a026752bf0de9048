"""Limits on a figure of curves: line, forbidden side, label, and what of a curve lies beyond."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tuneassist.grid import Floats
from tuneassist.show.figures.colours import LIMIT, PAPER
from tuneassist.show.figures.danger import BEYOND_HATCH
from tuneassist.show.figures.drawing import CHARACTER_SHARE, POINTS_PER_INCH, escape_math, figure_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame
    from matplotlib.lines import Line2D

FLOOR_HATCH = "\\\\\\\\"
"""Hatch below a floor; that above a ceiling leans the other way."""
LINES: Mapping[bool, Any] = {True: (0, (7, 2)), False: (0, (1, 1.2))}
"""Dashes of a ceiling, dots of a floor."""
HEAVY = 4.5
"""Width of the part of a curve beyond a limit. [pt]"""
LABEL_SIZE = 7.5
"""Size of the type of a limit's name. [pt]"""
LABEL_HEIGHT = 0.06
"""Height that a label takes of the frame. [1]"""
PLACES = (0.01, 0.35, 0.99)
"""Where along the frame a label may stand: from the left, the middle, to the right. [1]"""

Taken = tuple[float, float, float]
"""Left end, right end and height of a label, as shares of the frame."""


@dataclass(frozen=True)
class CurveLimit:
    """A limit on a figure of curves.

    Parameters
    ----------
    value
        In the unit of the figure.
    words
        Its name and value.
    is_ceiling
        Whether what is above it is beyond; else what is below.
    """

    value: float
    words: str
    is_ceiling: bool

    def is_beyond(self, values: Floats) -> Any:
        """Return which values are beyond."""
        return values > self.value if self.is_ceiling else values < self.value


def draw_limits(frame: Frame, limits: Sequence[CurveLimit]) -> None:
    """Draw limits into a frame whose curves and scales are final.

    Parameters
    ----------
    frame
        With its curves; those with a label are held against the limits.
    limits
        The limits; their forbidden sides are hatched, a floor's the other way than a ceiling's.
    """
    if not frame.lines:  # nothing to hold against them, and no scale
        return
    curves = [line for line in frame.lines if not str(line.get_label()).startswith("_")]
    taken: list[Taken] = []
    low, high = frame.get_ylim()
    for limit in limits:
        end = high if limit.is_ceiling else low
        frame.axhline(limit.value, color=LIMIT, linestyle=LINES[limit.is_ceiling], linewidth=1.6)
        hatch = BEYOND_HATCH if limit.is_ceiling else FLOOR_HATCH
        frame.axhspan(limit.value, end, facecolor=LIMIT, edgecolor="none", alpha=0.05, zorder=0)
        frame.axhspan(limit.value, end, facecolor="none", edgecolor=LIMIT, alpha=0.18, hatch=hatch,
                      linewidth=0, zorder=0)  # fmt: skip
        for line in curves:
            _draw_beyond(frame, line, limit)
        _draw_label(frame, limit, curves, taken)
    frame.set_ylim(low, high)


def _draw_beyond(frame: Frame, line: Line2D, limit: CurveLimit) -> None:
    x, y = (np.asarray(values, dtype=float) for values in line.get_data())
    is_beyond = limit.is_beyond(y)
    if is_beyond.any():
        frame.plot(x, np.where(is_beyond, y, np.nan), "-", color=line.get_color(), linewidth=HEAVY,
                   solid_capstyle="butt", zorder=2.8)  # fmt: skip


def _draw_label(
    frame: Frame,
    limit: CurveLimit,
    curves: Sequence[Line2D],
    taken: list[tuple[float, float, float]],
) -> None:
    """Write a limit's name beside its line, where the curves are farthest from it."""
    low, high = frame.get_ylim()
    width = (
        len(limit.words) * CHARACTER_SHARE * LABEL_SIZE / POINTS_PER_INCH / _inches_across(frame)
    )
    at = (limit.value - low) / (high - low)
    options = []
    for is_above in (limit.is_ceiling, not limit.is_ceiling):
        middle = at + (LABEL_HEIGHT if is_above else -LABEL_HEIGHT) / 2
        for x in PLACES:
            left = x if x < 0.9 else x - width
            room = min(_nearest(frame, curves, left, left + width, middle),
                       _nearest_label(taken, left, left + width, middle))  # fmt: skip
            is_inside = 0.0 < middle < 1.0
            options.append((min(room, 0.15) if is_inside else -1.0, is_above, x, left, middle))
    _, is_above, x, left, middle = max(options, key=lambda one: one[0])
    taken.append((left, left + width, middle))
    frame.annotate(escape_math(limit.words), (x, limit.value), xycoords=("axes fraction", "data"),
                   xytext=(0, 2 if is_above else -2), textcoords="offset points",
                   ha="right" if x > 0.9 else "left", va="bottom" if is_above else "top",
                   fontsize=LABEL_SIZE, color=LIMIT, zorder=4,
                   bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6,
                         "alpha": 0.85})  # fmt: skip


def _inches_across(frame: Frame) -> float:
    return float(frame.get_position().width * figure_of(frame).get_size_inches()[0])


def _nearest(frame: Frame, curves: Sequence[Line2D], left: float, right: float, at: float) -> float:
    """Distance of the nearest curve from a height, along a part of the frame. [shares of it]"""
    nearest = 1.0
    (x_low, x_high), (low, high) = frame.get_xlim(), frame.get_ylim()
    for line in curves:
        x, y = (np.asarray(values, dtype=float) for values in line.get_data())
        share = (x - x_low) / (x_high - x_low)
        near = y[(share > left - 0.02) & (share < right + 0.02) & np.isfinite(y)]
        if len(near):
            nearest = min(nearest, float(np.abs((near - low) / (high - low) - at).min()))
    return nearest


def _nearest_label(taken: Sequence[Taken], left: float, right: float, at: float) -> float:
    """Distance of the nearest label that shares a part of the frame. [shares of it]"""
    gaps = [abs(middle - at) for one, other, middle in taken if one < right and other > left]
    near = min(gaps, default=1.0)
    return near if near > 1.4 * LABEL_HEIGHT else -0.5


def limit_key(limits: Sequence[CurveLimit]) -> list[Any]:
    """Return the legend's handles of the forbidden sides, as far as there are any."""
    from matplotlib.patches import Patch

    words = {True: "above a ceiling", False: "below a floor"}
    return [
        Patch(facecolor="none", edgecolor=LIMIT, linewidth=0.8, label=words[is_ceiling],
              hatch=BEYOND_HATCH if is_ceiling else FLOOR_HATCH)
        for is_ceiling in (True, False)
        if any(limit.is_ceiling == is_ceiling for limit in limits)
    ]  # fmt: skip
