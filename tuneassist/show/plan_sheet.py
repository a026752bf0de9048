"""One page for the person at the dynamometer: where to hold, in which order, for how long."""

from __future__ import annotations

from bisect import bisect_right
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from tuneassist.grid import Axes, Floats
from tuneassist.loop.plan import Plan
from tuneassist.settings import Setup
from tuneassist.show.display import counted, plain
from tuneassist.show.figures.drawing import escape_math
from tuneassist.show.plan import clock, step_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame
    from matplotlib.figure import Figure

PAGE_INCHES = (8.27, 11.69)  # A4, ISO 216
BAND_FILLS = {"light": "#ffffff", "middle": "#fdd49e", "heavy": "#e08214"}
POINTS = 72.0
"""Points in an inch. [1]"""
LEFT, RIGHT = 0.05, 0.95
"""Edges of the text, in shares of the page's width. [1]"""
TEXT_TOP, TEXT_SIZE, TEXT_LINE = 0.947, 8.0, 1.3
"""Top of the text in shares of the page's height, size of its letters, and height of a line in
letters. [1], [pt], [1]"""
MOST_LINES = 9
"""Most lines of text above the map. [1]"""
MAP_BOTTOM, LEGEND_ROOM = 0.54, 0.034
"""Bottom of the map, and room for the legend between text and map, in shares of the page. [1]"""
NUMBER_SIZES = (4.5, 6.0)
"""Smallest and largest numbers on the map. [pt]"""
MOST_SQUARE = 8.0
"""Side of a square of the map. [pt]"""
TICK_ROOM = (24.0, 9.0)
"""Least distance between labels of the scales, along and across. [pt]"""
ROWS_PER_BLOCK, MOST_BLOCKS = 30, 3
"""Rows of a block of the table, and most blocks beside one another. [1]"""
LEAST_ROWS = 20
"""A shorter block is drawn as high as one of so many rows. [1]"""
BLOCK_WIDTHS = (0.13, 0.17, 0.18, 0.20, 0.14, 0.18)
SHOWN = ("number", "start_s", "rpm", "load", "hold_s", "rest_s")
NO_VALUE = "-"
TITLE = "What to hold next"
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
    top = _head(figure, plan, setup, is_simulated=is_simulated) - LEGEND_ROOM
    _map(figure.add_axes((0.085, MAP_BOTTOM, 0.84, top - MAP_BOTTOM)), plan, setup.axes)
    _table(figure, plan, setup.axes)
    figure.text(0.05, 0.018, CAUTION[setup.engine.ignition], fontsize=6.4)
    return figure


def _head(figure: Figure, plan: Plan, setup: Setup, *, is_simulated: bool) -> float:
    """Write title and text, and return where the text ends, in shares of the page's height."""
    car = plain(setup.engine.label) or "car without a label"
    data = " (simulated data)" if is_simulated else ""
    figure.text(LEFT, 0.965, TITLE, fontsize=17, fontweight="bold", va="center")
    room = (RIGHT - LEFT) * _page_points()[0] - _width(TITLE, 18, is_bold=True)
    name = _fitted(car, room - _width(data, 10), 10) + data
    figure.text(RIGHT, 0.965, escape_math(name), fontsize=10, ha="right", va="center")
    lines = _text_lines(plan)
    figure.text(
        LEFT, TEXT_TOP, "\n".join(escape_math(line) for line in lines), fontsize=TEXT_SIZE,
        va="top", linespacing=TEXT_LINE,
    )  # fmt: skip
    return TEXT_TOP - len(lines) * TEXT_SIZE * TEXT_LINE / _page_points()[1]


def _text_lines(plan: Plan) -> list[str]:
    """Return the lines above the map; notes that do not fit are counted."""
    more = len(plan.holds) - MOST_BLOCKS * ROWS_PER_BLOCK
    lines = _wrapped(
        f"{step_words(plan)}, {clock(plan.total_s)} min on a warm engine. Standard error over the "
        f"map, weighted by driving: {plan.doubt_before_pct:.2f} % now, about "
        f"{plan.doubt_after_pct:.2f} % after."
    )
    lines += _wrapped(
        "Log without a break. Rest at idle or light load before the hold. If a point is out of "
        "reach, hold the nearest one that the engine can."
        + (f" {more} more holds are listed by tuneassist plan." if more > 0 else "")
    )
    notes = [_wrapped(_sentence(plain(note))) for note in plan.notes]
    for number, note in enumerate(notes):
        is_last = number == len(notes) - 1
        if len(lines) + len(note) + (not is_last) > MOST_LINES:
            left = len(notes) - number
            return [*lines, f"{counted(left, 'more note')}: tuneassist plan has them."]
        lines += note
    return lines


def _wrapped(words: str) -> list[str]:
    """Break a sentence into lines of the page's width."""
    room = (RIGHT - LEFT) * _page_points()[0]
    lines: list[str] = []
    taken, gap = room, _width(" ", TEXT_SIZE)
    for word in words.split():
        fitted = _fitted(word, room, TEXT_SIZE)
        wide = _width(fitted, TEXT_SIZE)
        if taken + gap + wide > room:
            lines.append(fitted)
            taken = wide
        else:
            lines[-1] += f" {fitted}"
            taken += gap + wide
    return lines


def _fitted(words: str, room: float, size: float) -> str:
    """Shorten words at their end until they fit. [pt]"""
    if _width(words, size) <= room:
        return words
    most = bisect_right(range(len(words)), room, key=lambda n: _width(f"{words[:n]} ...", size))
    return f"{words[: max(most - 1, 0)]} ..."


@lru_cache(maxsize=2048)
def _width(words: str, size: float, *, is_bold: bool = False) -> float:
    """Return how wide words are drawn. [pt]"""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(size=size, weight="bold" if is_bold else "normal")
    return float(text_to_path.get_text_width_height_descent(words, font, ismath=False)[0])


def _page_points() -> tuple[float, float]:
    return PAGE_INCHES[0] * POINTS, PAGE_INCHES[1] * POINTS


def _map(frame: Frame, plan: Plan, axes: Axes) -> None:
    """Draw the order of the holds over the present uncertainty."""
    places, holds = plan.places, _listed(plan)
    side = min(MOST_SQUARE, 0.45 * min(_step_points(frame, axes)))
    x, y = _at(places, axes)
    dots = frame.scatter(
        x, y, c=places["doubt_before_pct"], cmap="Greys", marker="s", s=side**2, linewidths=0,
        vmin=0.0, vmax=_shade_top(places), alpha=0.6,
    )  # fmt: skip
    refused = ~places["is_allowed"].to_numpy(dtype=bool)
    frame.scatter(x[refused], y[refused], marker="x", color="black", s=18, linewidths=0.8)
    x, y = _at(holds, axes)
    frame.plot(x, y, "-", color="#3182bd", linewidth=0.6, alpha=0.55, zorder=2)
    _numbers(frame, holds, x, y, axes)
    _scales(frame, axes)
    bar = frame.figure.colorbar(dots, ax=frame, pad=0.015, fraction=0.03)
    bar.set_label("known now to ± %", fontsize=7)
    bar.ax.tick_params(labelsize=7)
    frame.legend(
        handles=_legend(bool(refused.any())), loc="lower center", bbox_to_anchor=(0.5, 1.0),
        ncols=4, frameon=False, fontsize=7,
    )  # fmt: skip


def _numbers(frame: Frame, holds: pd.DataFrame, x: Floats, y: Floats, axes: Axes) -> None:
    """Write each hold's number at its place, or a dot where another number is too near."""
    across, down = _step_points(frame, axes)
    size = float(np.clip(min(across, down) / 2.0 / _circle(2), *NUMBER_SIZES))
    written: list[tuple[float, float, float]] = []
    for number, band, u, v in zip(holds["number"], holds["band"], x, y, strict=True):
        fill, wide = BAND_FILLS[band], _circle(len(str(number))) * size
        if any(
            max(abs(u - a) * across, abs(v - b) * down) < 0.5 * (wide + other)
            for a, b, other in written
        ):
            frame.plot(u, v, "o", color=fill, markeredgecolor="black", markersize=3, zorder=2.5)
            continue
        written.append((u, v, wide))
        frame.text(
            u, v, str(number), fontsize=size, ha="center", va="center", zorder=3,
            bbox={"boxstyle": "circle,pad=0.22", "facecolor": fill, "linewidth": 0.6},
        )  # fmt: skip


def _circle(digits: int) -> float:
    """Return how wide the circle around a number is, in letters: its diagonal and twice a pad."""
    return float(np.hypot(0.64 * digits, 0.75)) + 0.44


def _listed(plan: Plan) -> pd.DataFrame:
    """Return the holds that are on the page."""
    return plan.holds.iloc[: MOST_BLOCKS * ROWS_PER_BLOCK]


def _step_points(frame: Frame, axes: Axes) -> tuple[float, float]:
    """Return the size of a cell on paper, along and across. [pt]"""
    box, (width, height) = frame.get_position(), _page_points()
    return box.width * width / len(axes.load), box.height * height / len(axes.rpm)


def _at(rows: pd.DataFrame, axes: Axes) -> tuple[Floats, Floats]:
    """Positions on the drawing, load across and rpm down: breakpoints at equal distances."""
    rpm, load = (rows[name].to_numpy(dtype=float) for name in ("rpm", "load"))
    x = np.interp(load, axes.load, np.arange(len(axes.load)))
    y = np.interp(rpm, axes.rpm, np.arange(len(axes.rpm)))
    return np.asarray(x), np.asarray(y)


def _scales(frame: Frame, axes: Axes) -> None:
    across, down = (
        int(np.ceil(room / step))
        for room, step in zip(TICK_ROOM, _step_points(frame, axes), strict=True)
    )
    loads, speeds = axes.load[::across], axes.rpm[::down]
    frame.set_xticks(
        range(0, len(axes.load), across), [f"{load:.4g}" for load in loads], fontsize=7
    )
    frame.set_yticks(range(0, len(axes.rpm), down), [f"{rpm:.0f}" for rpm in speeds], fontsize=7)
    frame.set_xlim(-0.5, len(axes.load) - 0.5)
    frame.set_ylim(len(axes.rpm) - 0.5, -0.5)
    frame.set_ylabel("engine speed (rpm)", fontsize=8)
    room = frame.get_position().width * _page_points()[0]
    words = _fitted(plain(f"{axes.load_name} ({axes.load_unit})"), room, 8)
    frame.set_xlabel(escape_math(words), fontsize=8)
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
    """List the holds in as many side-by-side blocks as needed, and as fit."""
    holds = _listed(plan)
    blocks = max(2, -(-len(holds) // ROWS_PER_BLOCK))
    per_block = max(-(-len(holds) // blocks), 1)
    height = 0.44 / (max(per_block, LEAST_ROWS) + 1)
    size = min(8.0, 8.0 * 2 / blocks, height * PAGE_INCHES[1] * 72 * 0.62)
    for block in range(blocks):
        rows = holds.iloc[block * per_block : (block + 1) * per_block]
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

    room = 0.9 * BLOCK_WIDTHS[3] * frame.get_position().width * _page_points()[0]
    unit = _fitted(plain(axes.load_unit), room, 1.1 * size)  # the head is bold
    head = ("no.", "at", "rpm", unit, "hold s", "rest s")
    cells = [
        [
            f"{number:g}",
            clock(start),
            f"{rpm:.0f}",
            f"{load:.4g}",
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
