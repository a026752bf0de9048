"""Figures, with matplotlib where it is installed; nothing here opens a window or writes a file."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from tuneassist.errors import InputError
from tuneassist.grid import Axes, Floats
from tuneassist.show.look import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame
    from matplotlib.figure import Figure

FORMATS = ("png", "svg", "pdf")
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
    "seen": "seen, no hold",
    "held": "held, not sure",
    "trusted": "trusted (fair, darker: good)",
}


def require_matplotlib() -> None:
    """Raise when matplotlib is not installed.

    Raises
    ------
    InputError
        With what to install.
    """
    try:
        import matplotlib.figure  # noqa: F401
    except ImportError as error:
        raise InputError(
            "a plot needs matplotlib, which is not installed.",
            where="--plot",
            mend='Install it with: pip install "tuneassist[plot]"',
        ) from error


def plot_format(suffix: str) -> str:
    """Return the format that a file's suffix asks for.

    Raises
    ------
    InputError
        When it is none of `FORMATS`.
    """
    kind = suffix.lower().lstrip(".")
    if kind not in FORMATS:
        raise InputError(
            f"the suffix {suffix!r} is no picture that can be written.",
            where="--plot",
            mend=f"Use one of {', '.join('.' + name for name in FORMATS)}.",
        )
    return kind


def coverage_figure(
    table: pd.DataFrame, axes: Axes, *, holds: pd.DataFrame, label: str, is_simulated: bool
) -> Figure:
    """Draw which cells were seen, held and can be trusted.

    Parameters
    ----------
    table
        From `tuneassist.evidence.coverage.coverage_table`.
    axes
        The breakpoints; every cell is drawn equally large.
    holds
        Holds with ``rpm, load``, drawn where they were. [rpm], [load unit]
    label
        The car.
    is_simulated
        Whether the data are simulated; then the title says so.

    Returns
    -------
    matplotlib.figure.Figure
        Told apart by shade, hatching and numbers, so that it can be printed in grey.
    """
    from matplotlib.figure import Figure

    rows, columns = axes.shape
    figure = Figure(figsize=(2.6 + 0.72 * columns, 2.2 + 0.48 * rows), layout="constrained")
    frame = figure.add_subplot()
    _draw_cells(frame, table, columns)
    _draw_holds(frame, axes, holds)
    frame.set_xticks(range(columns), [f"{load:g}" for load in axes.load])
    frame.set_yticks(range(rows), [f"{rpm:g}" for rpm in axes.rpm])
    frame.set_xlim(-0.5, columns - 0.5)
    frame.set_ylim(rows - 0.5, -0.5)
    frame.set_xlabel(plain(f"{axes.load_name} ({axes.load_unit})"))
    frame.set_ylabel("engine speed (rpm)")
    frame.tick_params(length=0)
    data = ", simulated data" if is_simulated else ""
    frame.set_title(_no_math(f"Coverage{data}: {label or 'car without a label'}"), loc="left")
    figure.legend(handles=_legend(table), loc="outside lower left", ncols=3, frameon=False)
    return figure


def _draw_cells(frame: Frame, table: pd.DataFrame, columns: int) -> None:
    from matplotlib.patches import Rectangle

    for cell, (state, holds, word) in enumerate(
        zip(table["state"], table["holds"], table["confidence"], strict=True)
    ):
        row, column = divmod(cell, columns)
        fill, hatch = _FILLS[state]
        if word == "fair":
            fill = FAIR_FILL
        frame.add_patch(
            Rectangle(
                (column - 0.5, row - 0.5),
                1.0,
                1.0,
                facecolor=fill,
                edgecolor="#b0b0b0",
                hatch=hatch,
                linewidth=0.6,
            )
        )
        if state in ("held", "trusted"):
            frame.text(
                column,
                row + 0.02,
                f"{holds}\n{word}",
                ha="center",
                va="center",
                fontsize=7.5,
                linespacing=1.05,
                bbox={"facecolor": fill, "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
                zorder=2,
            )


def _draw_holds(frame: Frame, axes: Axes, holds: pd.DataFrame) -> None:
    x = np.interp(_values(holds, "load"), axes.load, np.arange(len(axes.load)))
    y = np.interp(_values(holds, "rpm"), axes.rpm, np.arange(len(axes.rpm)))
    frame.plot(x, y, "o", color="#e08214", markersize=3.2, markeredgecolor="black",
               markeredgewidth=0.4, zorder=3)  # fmt: skip


def _values(holds: pd.DataFrame, name: str) -> Floats:
    return np.asarray(holds[name].to_numpy(dtype=float))


def _legend(table: pd.DataFrame) -> list[Any]:
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
    dot = Line2D(
        [], [], linestyle="", marker="o", color="#e08214", markeredgecolor="black",
        markersize=5, label="a hold; the number counts holds near, 0: read between neighbours",
    )  # fmt: skip
    return [*handles, dot]


def _no_math(text: str) -> str:
    """Keep a $ in a car's label from being read as a formula."""
    return plain(text).replace("$", r"\$")


def picture(figure: Figure, kind: str) -> bytes:
    """Return a figure as the bytes of a PNG, SVG or PDF file."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format=kind, dpi=150)
    return buffer.getvalue()
