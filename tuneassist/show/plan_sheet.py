"""One page for the person at the dynamometer: where to hold, in which order, for how long."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from tuneassist.grid import Axes, Floats
from tuneassist.loop.plan import Plan
from tuneassist.settings import Setup
from tuneassist.show.display import plain
from tuneassist.show.figures.drawing import escape_math
from tuneassist.show.plan import clock, step_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame
    from matplotlib.figure import Figure

PAGE_INCHES = (8.27, 11.69)  # A4, ISO 216
BAND_FILLS = {"light": "#ffffff", "middle": "#fdd49e", "heavy": "#e08214"}
ROWS_PER_BLOCK = 30
LEAST_ROWS = 20
BLOCK_WIDTHS = (0.13, 0.17, 0.18, 0.20, 0.14, 0.18)
SHOWN = ("number", "start_s", "rpm", "load", "hold_s", "rest_s")
NO_VALUE = "-"
CAUTION = {
    "spark": "Car strapped down, people clear, exhaust gas extracted, somebody at the stop button. "
    "Lift at knock, heat or a lean reading; richer is the safe way. You decide.",
    "compression": "Car strapped down, people clear, exhaust gas extracted, somebody at the stop "
    "button. Lift at smoke or heat; less fuel is the safe way. You decide.",
}


def plan_sheet(plan: Plan, *, setup: Setup, is_simulated: bool = False) -> Figure:
    """Draw a plan on one page; `tuneassist.show.plots.picture` turns it into PNG or PDF bytes.

    Parameters
    ----------
    plan
        The holds in order.
    setup
        The car's label, axes and ignition.
    is_simulated
        Whether the evidence is simulated; then the title says so.

    Returns
    -------
    matplotlib.figure.Figure
        A4 portrait. Load bands differ in shade, so that it can be printed in grey.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=PAGE_INCHES)
    _head(figure, plan, setup, is_simulated=is_simulated)
    _map(figure.add_axes((0.085, 0.555, 0.84, 0.315)), plan, setup.axes)
    _table(figure, plan, setup.axes)
    figure.text(0.05, 0.018, CAUTION[setup.engine.ignition], fontsize=6.4)
    return figure


def _head(figure: Figure, plan: Plan, setup: Setup, *, is_simulated: bool) -> None:
    car = setup.engine.label or "car without a label"
    data = " (simulated data)" if is_simulated else ""
    figure.text(0.05, 0.965, "What to hold next", fontsize=17, fontweight="bold", va="center")
    figure.text(0.95, 0.965, escape_math(f"{car}{data}"), fontsize=10, ha="right", va="center")
    lines = [
        f"{step_words(plan)}, {clock(plan.total_s)} min on a warm engine. "
        f"Standard error over the map, weighted by driving: {plan.doubt_before_pct:.2f} % now, "
        f"about {plan.doubt_after_pct:.2f} % after.",
        "Log without a break. Rest at idle or light load before the hold. If a point is out of "
        "reach, hold the nearest one that the engine can.",
        *(_sentence(note) for note in plan.notes),
    ]
    text = "\n".join(textwrap.fill(escape_math(line), 136) for line in lines)
    figure.text(0.05, 0.947, text, fontsize=8, va="top", linespacing=1.3)


def _map(frame: Frame, plan: Plan, axes: Axes) -> None:
    """Draw the order of the holds over the present uncertainty."""
    places, holds = plan.places, plan.holds
    x, y = _at(places, axes)
    dots = frame.scatter(
        x, y, c=places["doubt_before_pct"], cmap="Greys", marker="s", s=62, linewidths=0,
        vmin=0.0, vmax=_shade_top(places), alpha=0.6,
    )  # fmt: skip
    refused = ~places["is_allowed"].to_numpy(dtype=bool)
    frame.scatter(x[refused], y[refused], marker="x", color="black", s=18, linewidths=0.8)
    x, y = _at(holds, axes)
    frame.plot(x, y, "-", color="#3182bd", linewidth=0.6, alpha=0.55, zorder=2)
    for number, band, u, v in zip(holds["number"], holds["band"], x, y, strict=True):
        frame.text(
            u, v, str(number), fontsize=6, ha="center", va="center", zorder=3,
            bbox={"boxstyle": "circle,pad=0.22", "facecolor": BAND_FILLS[band], "linewidth": 0.6},
        )  # fmt: skip
    _scales(frame, axes)
    bar = frame.figure.colorbar(dots, ax=frame, pad=0.015, fraction=0.03)
    bar.set_label("known now to ± %", fontsize=7)
    bar.ax.tick_params(labelsize=7)
    frame.legend(
        handles=_legend(bool(refused.any())), loc="lower center", bbox_to_anchor=(0.5, 1.0),
        ncols=4, frameon=False, fontsize=7,
    )  # fmt: skip


def _at(rows: pd.DataFrame, axes: Axes) -> tuple[Floats, Floats]:
    """Positions on the drawing: breakpoints at equal distances."""
    rpm, load = (rows[name].to_numpy(dtype=float) for name in ("rpm", "load"))
    x = np.interp(rpm, axes.rpm, np.arange(len(axes.rpm)))
    y = np.interp(load, axes.load, np.arange(len(axes.load)))
    return np.asarray(x), np.asarray(y)


def _scales(frame: Frame, axes: Axes) -> None:
    frame.set_xticks(range(len(axes.rpm)), [f"{rpm:g}" for rpm in axes.rpm], fontsize=7)
    frame.set_yticks(range(len(axes.load)), [f"{load:g}" for load in axes.load], fontsize=7)
    frame.set_xlim(-0.5, len(axes.rpm) - 0.5)
    frame.set_ylim(-0.5, len(axes.load) - 0.5)
    frame.set_xlabel("engine speed (rpm)", fontsize=8)
    frame.set_ylabel(escape_math(f"{axes.load_name} ({axes.load_unit})"), fontsize=8)
    frame.grid(color="#d9d9d9", linewidth=0.4)
    frame.set_axisbelow(True)


def _shade_top(places: pd.DataFrame) -> float:
    return max(float(np.quantile(places["doubt_before_pct"], 0.98)), 0.5)


def _legend(has_refused: bool) -> list[Any]:
    from matplotlib.lines import Line2D

    handles: list[Any] = [
        Line2D([], [], linestyle="", marker="o", markerfacecolor=fill, markeredgecolor="black",
               markersize=7, label=f"{band} load")
        for band, fill in BAND_FILLS.items()
    ]  # fmt: skip
    if has_refused:
        label = "left out: ceiling or rev limit"
        handles.append(Line2D([], [], linestyle="", marker="x", color="black", label=label))
    return handles


def _table(figure: Figure, plan: Plan, axes: Axes) -> None:
    """List the holds in as many side-by-side blocks as needed."""
    blocks = max(2, -(-len(plan.holds) // ROWS_PER_BLOCK))
    per_block = max(-(-len(plan.holds) // blocks), 1)
    height = 0.44 / (max(per_block, LEAST_ROWS) + 1)
    size = min(8.0, 8.0 * 2 / blocks, height * PAGE_INCHES[1] * 72 * 0.62)
    for block in range(blocks):
        rows = plan.holds.iloc[block * per_block : (block + 1) * per_block]
        if rows.empty:
            continue
        left, width = 0.05 + 0.9 * block / blocks, 0.9 / blocks - 0.02
        top = 0.485
        frame = figure.add_axes(
            (left, top - height * (len(rows) + 1), width, height * (len(rows) + 1))
        )
        frame.set_axis_off()
        _draw_block(frame, rows, axes, size)


def _draw_block(frame: Frame, rows: pd.DataFrame, axes: Axes, size: float) -> None:
    from matplotlib.transforms import Bbox

    head = ("no.", "at", "rpm", plain(axes.load_unit), "hold s", "rest s")
    cells = [
        [
            f"{number:g}",
            clock(start),
            f"{rpm:g}",
            f"{load:g}",
            f"{hold:g}",
            f"{rest:.0f}" if rest >= 1 else NO_VALUE,
        ]
        for number, start, rpm, load, hold, rest in rows[list(SHOWN)].to_numpy(dtype=float)
    ]
    table = frame.table(
        cellText=cells,
        colLabels=[escape_math(word) for word in head],
        colWidths=list(BLOCK_WIDTHS),
        cellLoc="right",
        bbox=Bbox.unit(),
    )
    table.auto_set_font_size(False)
    table.set_fontsize(size)
    for (line, column), cell in table.get_celld().items():
        cell.set_linewidth(0.3)
        cell.set_edgecolor("#b0b0b0")
        if line == 0:
            cell.set_text_props(fontweight="bold")
            cell.set_facecolor("#f0f0f0")
        elif column == 0:
            cell.set_facecolor(BAND_FILLS[str(rows["band"].iloc[line - 1])])


def _sentence(note: str) -> str:
    return f"{note[:1].upper()}{note[1:]}."
