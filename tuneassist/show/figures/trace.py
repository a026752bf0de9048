"""A log over time: its holds, and what was dropped and why."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from tuneassist.grid import Floats
from tuneassist.log_trace import NOT_HELD, USED, LogTrace
from tuneassist.settings import Setup
from tuneassist.show.figures.captions import stand_alone
from tuneassist.show.figures.colours import AFTER, BEFORE, INK
from tuneassist.show.figures.drawing import (
    frame_or_new,
    label_axes,
    legend_below,
    set_title,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame
    from matplotlib.figure import Figure

FILLS: Mapping[str, tuple[str, str]] = {
    "no value": ("#f0e442", "xx"),
    "engine cold": ("#56b4e9", "\\\\"),
    "other fuel": ("#cc79a7", "++"),
    "closed loop": ("#0072b2", "--"),
    "load at its end": ("#d55e00", "xx"),
    "fuel cut": ("#009e73", "||"),
    "outside the table": ("#cc79a7", ".."),
    "no target there": ("#f0e442", ".."),
    "moving": ("#d9d9d9", "//"),
    "sweeping": ("#a6a6a6", "//"),
    NOT_HELD: ("#e69f00", "oo"),
    "settling": ("#e69f00", "oo"),
    "short hold": ("#f5c88a", "oo"),
    "no lambda": ("#f0e442", "++"),
    "spike": ("#d55e00", "||"),
    "sensor at its stop": ("#d55e00", "--"),
}
"""Fill and hatch of what took a sample, in the order of the filters."""
WORDS: Mapping[str, str] = {
    "moving": "moving (read in blocks between the holds)",
    "sweeping": "sweeping (read in blocks between the holds)",
}
MOST_POINTS = 3_000
"""Points of a curve; of a longer log the extremes of each stretch are drawn. [1]"""
MOST_SPANS = 400
"""Stretches drawn; the gaps of a log of more are closed first. [1]"""
SIZE = (10.0, 7.6)
"""Width and height of a trace. [inch]"""
CLIP_PCT, CLIP_ROOM = 30.0, 1.1
"""The scale of the deviation ends here, or with this room beyond the farthest hold: a fuel cut
would flatten all the rest. [%], [1]"""


def plot_trace(
    trace: LogTrace,
    column: str = "need_pct",
    *,
    label: str = "deviation from target (%)",
    is_simulated: bool = False,
    ax: Frame | None = None,
) -> Frame:
    """Draw a channel over time, holds heavy, with what was dropped behind it.

    Parameters
    ----------
    trace
        From `tuneassist.log_trace.trace_log`.
    column
        "need_pct", "rpm" or "load".
    label
        Name and unit of the scale.
    is_simulated
        Whether the data are simulated; the title then says so.
    ax
        Where to draw; None makes a figure with a legend.
    """
    frame = frame_or_new(ax, (SIZE[0], SIZE[1] / 2))
    rows = trace.samples
    time_s, values = (rows[name].to_numpy(dtype=float) for name in ("time_s", column))
    _draw_dropped(frame, rows)
    frame.plot(*_thinned(time_s, values), "-", color=BEFORE, linewidth=0.7, zorder=2)
    _draw_holds(frame, trace.holds, column)
    label_axes(frame, "time (s)", label)
    if column == "need_pct":
        frame.axhline(0.0, color=AFTER, linewidth=1, zorder=2.5)
        held = np.abs(trace.holds["need_ln"].to_numpy(dtype=float))
        clip = max(CLIP_PCT, CLIP_ROOM * 100.0 * float(np.expm1(np.nanmax(held, initial=0.0))))
        low, high = frame.get_ylim()
        frame.set_ylim(max(low, -clip), min(high, clip))
    if ax is None:
        legend_below(frame, trace_key(trace), rule=_RULE.format("target"))
    set_title(frame, f"{trace.name} over time", is_simulated=is_simulated)
    return frame


def trace_figure(
    trace: LogTrace, setup: Setup, *, date: str = "", is_simulated: bool = False
) -> Figure:
    """Draw speed, load and deviation over time, with holds and what was dropped.

    Parameters
    ----------
    trace
        From `tuneassist.log_trace.trace_log`.
    setup
        Label, name and unit of load, kind of target.
    date
        When it was drawn, as text.
    is_simulated
        Whether the data are simulated; the title then says so.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=SIZE, layout="constrained")
    frames = figure.subplots(3, 1, sharex=True)
    target = "floor" if setup.target.kind == "floor" else "target"
    panels = (
        ("rpm", "speed (rpm)"),
        ("load", f"{setup.axes.load_name} ({setup.axes.load_unit})"),
        ("need_pct", f"from {target} (%)"),
    )
    for frame, (column, label) in zip(frames, panels, strict=True):
        plot_trace(trace, column, label=label, is_simulated=is_simulated, ax=frame)
        if frame is not frames[0]:
            frame.set_title("", loc="left")
        if frame is not frames[-1]:
            frame.set_xlabel("")
    legend_below(frames[-1], trace_key(trace), rule=_RULE.format(f"the {target}"))
    return stand_alone(figure, car=setup.engine.label, date=date, is_simulated=is_simulated)


def _draw_holds(frame: Frame, holds: pd.DataFrame, column: str) -> None:
    """Draw each hold as a bar at its one reading, spikes and settling left out."""
    from matplotlib.collections import LineCollection

    start, end = (holds[name].to_numpy(dtype=float) for name in ("start_s", "end_s"))
    if column == "need_pct":
        value = 100.0 * np.expm1(holds["need_ln"].to_numpy(dtype=float))
    else:
        value = holds[column].to_numpy(dtype=float)
    bars = np.stack([np.stack([start, value], 1), np.stack([end, value], 1)], 1)
    frame.add_collection(LineCollection(list(bars), colors=INK, linewidths=2.8, zorder=3))


def trace_key(trace: LogTrace) -> list[Any]:
    """Return the legend's handles: curve, holds, and what took the samples, with their share."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    shares = trace.samples["fate"].value_counts(normalize=True)
    handles: list[Any] = [
        Line2D([], [], color=BEFORE, linewidth=0.8, label="as logged"),
        Line2D([], [], color=INK, linewidth=2.8,
               label=f"in one of {len(trace.holds)} holds: {100 * shares.get(USED, 0.0):.1f} %"),
    ]  # fmt: skip
    for fate, (fill, hatch) in FILLS.items():
        if fate in shares:
            label = f"{WORDS.get(fate, fate)}: {100 * shares[fate]:.1f} %"
            handles.append(
                Patch(facecolor=fill, alpha=0.7, edgecolor="#606060", hatch=hatch, label=label)
            )
    return handles


_RULE = "+ is leaner than {}. Hatched: not in a hold, and why; shares of the samples."


def _draw_dropped(frame: Frame, rows: pd.DataFrame) -> None:
    """Shade the stretches that no hold took, by what took them."""
    spans = _spans(rows)
    for fate, (fill, hatch) in FILLS.items():
        own = spans[spans["fate"] == fate]
        if len(own):
            frame.broken_barh(
                list(zip(own["start"], own["end"] - own["start"], strict=True)), (0.0, 1.0),
                transform=frame.get_xaxis_transform(), facecolor=fill, alpha=0.35, hatch=hatch,
                edgecolor="#8c8c8c", linewidth=0.0, zorder=0,
            )  # fmt: skip


def _spans(rows: pd.DataFrame) -> pd.DataFrame:
    """Return stretches of one fate; short ones join the one before where there are very many."""
    time_s = rows["time_s"].to_numpy(dtype=float)
    fate = rows["fate"].to_numpy(dtype=object)
    if not len(time_s):
        return pd.DataFrame({"fate": [], "start": [], "end": []})
    starts = np.flatnonzero(np.r_[True, fate[1:] != fate[:-1]])
    lengths = np.diff(np.r_[time_s[starts], time_s[-1]])
    if len(starts) > MOST_SPANS:
        shortest = np.sort(lengths)[-MOST_SPANS]
        keep = lengths >= shortest
        keep[0] = True
        starts = starts[keep]
    ends = np.r_[time_s[starts[1:]], time_s[-1]]
    return pd.DataFrame({"fate": fate[starts], "start": time_s[starts], "end": ends})


def _thinned(time_s: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return a curve of few points that looks the same: lowest and highest of each stretch."""
    if len(time_s) <= MOST_POINTS:
        return time_s, values
    each = -(-len(time_s) // (MOST_POINTS // 2))
    count = len(time_s) // each
    blocks = values[: count * each].reshape(count, each)
    known = np.isfinite(blocks)
    low = np.where(known, blocks, np.inf).min(axis=1)
    high = np.where(known, blocks, -np.inf).max(axis=1)
    ends = np.stack([low, high], axis=1)
    ends[~known.any(axis=1)] = np.nan
    middle = time_s[: count * each : each]
    return np.repeat(middle, 2), ends.ravel()
