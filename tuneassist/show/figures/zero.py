"""The zero check as a picture: differences by speed between their margins, and the verdict."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from tuneassist.runs import Equivalence
from tuneassist.show.figures.colours import AFTER, BEFORE, INK
from tuneassist.show.figures.drawing import frame_or_new, label_axes, legend_below, set_title
from tuneassist.show.figures.limits import CurveLimit, draw_limits
from tuneassist.show.run_units import OutputUnits

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame

ROOM = 0.35
"""Room beyond the margin or the farthest interval, as a share of it. [1]"""
MARKS: Mapping[str, tuple[str, str, str]] = {
    "equivalent": ("o", BEFORE, "the same"),
    "cannot tell": ("s", "none", "cannot tell"),
    "different": ("X", AFTER, "different"),
}
"""Marker, fill and words of a verdict; they differ by shape as well."""


def zero_channels(zero: Equivalence) -> list[str]:
    """Return the channels that the zero check tested."""
    return list(dict.fromkeys(zero.bands["channel"])) if len(zero.bands) else []


def plot_zero(
    zero: Equivalence,
    channel: str = "torque",
    *,
    units: OutputUnits | None = None,
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw how far a channel with all corrections at zero is from the standard car.

    Parameters
    ----------
    zero
        From `tuneassist.runs.RunsComparison.equivalence`.
    channel
        One of `zero_channels`.
    units
        Units of the drawing; None uses the internal units.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure.

    Returns
    -------
    matplotlib.axes.Axes
        A bar for each band of speeds: the interval at its worst speed, which a point marks.
    """
    frame = frame_or_new(ax)
    title = f"Zero check, {channel}: {zero.verdict}"
    if not len(zero.bands) or channel not in set(zero.bands["channel"]):
        frame.text(0.5, 0.5, "not tested", ha="center", va="center", transform=frame.transAxes)
        frame.set_xticks([])
        frame.set_yticks([])
        set_title(frame, title, is_simulated=is_simulated)
        return frame
    bands = zero.bands[zero.bands["channel"] == channel]
    inside = str(bands["unit"].iloc[0])
    unit, factor = ((units or OutputUnits()).changes()).get(inside, (inside, 1.0))
    for verdict, rows in bands.groupby("verdict", sort=False):
        _draw_bands(frame, rows, str(verdict), factor)
    frame.axhline(0.0, color=INK, linewidth=1)
    margin = float(bands["margin"].iloc[0]) / factor
    label_axes(frame, "engine speed (rpm)", f"difference ({unit})")
    values = bands[["low", "high"]].to_numpy(dtype=float) / factor
    reach = (1.0 + ROOM) * max(float(np.nanmax(np.abs(values))), margin)
    frame.set_ylim(-reach, reach)
    draw_limits(frame, [
        CurveLimit(margin, f"margin +{margin:.3g} {unit}", is_ceiling=True),
        CurveLimit(-margin, f"margin -{margin:.3g} {unit}", is_ceiling=False),
    ])  # fmt: skip
    rule = "+: more than the standard car. Bars: interval at the worst speed of each band."
    legend_below(frame, _key(bands), rule=rule)
    own = "different" if (bands["verdict"] == "different").any() else (
        "the same" if (bands["verdict"] == "equivalent").all() else "cannot tell")  # fmt: skip
    set_title(frame, f"Zero check, {channel}: {own}", is_simulated=is_simulated)
    return frame


def _draw_bands(frame: Frame, rows: pd.DataFrame, verdict: str, factor: float) -> None:
    mark, fill, _ = MARKS[verdict]
    first, last, rpm, low, high, value = (
        rows[name].to_numpy(dtype=float)
        for name in ("rpm_from", "rpm_to", "rpm", "low", "high", "difference")
    )
    colour = INK if fill == "none" else fill
    frame.bar(first, (high - low) / factor, width=last - first, bottom=low / factor, align="edge",
              facecolor=colour, alpha=0.25, edgecolor=INK, linewidth=0.6, zorder=2)  # fmt: skip
    frame.plot(rpm, value / factor, linestyle="", marker=mark, markerfacecolor=fill,
               markeredgecolor=INK, markersize=6, zorder=3)  # fmt: skip


def _key(bands: pd.DataFrame) -> list[Any]:
    from matplotlib.lines import Line2D

    counts = bands["verdict"].value_counts()
    return [
        Line2D([], [], linestyle="", marker=mark, markerfacecolor=fill, markeredgecolor=INK,
               label=f"{words}: {int(counts[verdict])} bands")
        for verdict, (mark, fill, words) in MARKS.items()
        if verdict in counts
    ]  # fmt: skip
