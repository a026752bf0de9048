"""All figures, and their file formats; no window is opened."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pandas as pd

from tuneassist.errors import InputError
from tuneassist.grid import Axes
from tuneassist.show.figures.cells import plot_cells, plot_step
from tuneassist.show.figures.coverage import coverage_legend, plot_coverage
from tuneassist.show.figures.drawing import clean_text
from tuneassist.show.figures.full_load import plot_along, plot_full_load, plot_gain, plot_tunes
from tuneassist.show.figures.tune import plot_holds, plot_response, plot_rounds, rounds_frame

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "FORMATS",
    "coverage_figure",
    "picture",
    "plot_along",
    "plot_cells",
    "plot_coverage",
    "plot_format",
    "plot_full_load",
    "plot_gain",
    "plot_holds",
    "plot_response",
    "plot_rounds",
    "plot_step",
    "plot_tunes",
    "require_matplotlib",
    "rounds_frame",
]

FORMATS = ("png", "svg", "pdf")


def require_matplotlib(where: str = "--plot") -> None:
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
            where=where,
            mend='Install it with: pip install "tuneassist[plot]"',
        ) from error


def plot_format(suffix: str) -> str:
    """Return the picture format of a file suffix.

    Raises
    ------
    InputError
        When it is none of `FORMATS`.
    """
    kind = suffix.lower().lstrip(".")
    if kind not in FORMATS:
        raise InputError(
            f"the suffix {suffix!r} is not a supported picture format.",
            where="--plot",
            mend=f"Use one of {', '.join('.' + name for name in FORMATS)}.",
        )
    return kind


def coverage_figure(
    table: pd.DataFrame, axes: Axes, *, holds: pd.DataFrame, label: str, is_simulated: bool
) -> Figure:
    """Draw which cells were seen, held and trusted, with a legend.

    Parameters
    ----------
    table
        From `tuneassist.evidence.coverage.coverage_table`.
    axes
        The breakpoints; all cells are drawn the same size.
    holds
        Holds with ``rpm, load``, drawn at their position. [rpm], [load unit]
    label
        The car.
    is_simulated
        Whether the data are simulated; the title then says so.

    Returns
    -------
    matplotlib.figure.Figure
        States differ in shade, hatching and numbers, so that it can be printed in grey.
    """
    from matplotlib.figure import Figure

    rows, columns = axes.shape
    figure = Figure(figsize=(2.6 + 0.72 * columns, 2.2 + 0.48 * rows), layout="constrained")
    title = f"Coverage: {label or 'car without a label'}"
    frame = figure.add_subplot()
    plot_coverage(table, axes, holds=holds, title=title, is_simulated=is_simulated, ax=frame)
    figure.legend(
        handles=coverage_legend(table),
        loc="outside lower left",
        ncols=3 if columns >= 10 else 2,
        frameon=False,
    )
    return figure


def picture(figure: Figure, kind: str) -> bytes:
    """Return a figure as the bytes of a PNG, SVG or PDF file."""
    clean_text(figure)
    buffer = io.BytesIO()
    figure.savefig(buffer, format=kind, dpi=150)
    return buffer.getvalue()
