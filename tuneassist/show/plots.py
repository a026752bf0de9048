"""All figures, and their file formats; no window is opened."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pandas as pd

from tuneassist.errors import InputError
from tuneassist.grid import Axes
from tuneassist.settings import Setup
from tuneassist.show.figures.captions import stand_alone
from tuneassist.show.figures.cells import plot_cells, plot_step
from tuneassist.show.figures.coverage import plot_coverage
from tuneassist.show.figures.drawing import clean_text, figure_of, text_stays_text
from tuneassist.show.figures.full_load import (
    plot_along,
    plot_full_load,
    plot_gain,
    plot_tunes,
    plot_tunes_along,
)
from tuneassist.show.figures.sheets import (
    full_load_figure,
    proposal_figure,
    spots_figure,
    tunes_figure,
    zero_figure,
)
from tuneassist.show.figures.spots import plot_spots
from tuneassist.show.figures.trace import plot_trace, trace_figure
from tuneassist.show.figures.tune import plot_holds, plot_response, plot_rounds, rounds_frame
from tuneassist.show.figures.zero import plot_zero

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "FORMATS",
    "coverage_figure",
    "full_load_figure",
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
    "plot_spots",
    "plot_step",
    "plot_trace",
    "plot_tunes",
    "plot_tunes_along",
    "plot_zero",
    "proposal_figure",
    "require_matplotlib",
    "rounds_frame",
    "spots_figure",
    "stand_alone",
    "trace_figure",
    "tunes_figure",
    "zero_figure",
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
    table: pd.DataFrame,
    axes: Axes,
    *,
    holds: pd.DataFrame,
    label: str,
    is_simulated: bool,
    setup: Setup | None = None,
    readings: pd.DataFrame | None = None,
    date: str = "",
) -> Figure:
    """Draw how sure each cell is, and which cells are unseen or hardly known.

    Parameters
    ----------
    table, axes, holds, setup, readings
        As for `plot_coverage`.
    label
        The car.
    is_simulated
        Whether the data are simulated; the title then says so.
    date
        When it was drawn, as text.

    Returns
    -------
    matplotlib.figure.Figure
        Shades differ in lightness and exceptions in hatching, so that it can be printed in grey.
    """
    frame = plot_coverage(table, axes, holds=holds, setup=setup, readings=readings,
                          is_simulated=is_simulated)  # fmt: skip
    return stand_alone(figure_of(frame), car=label, date=date, is_simulated=is_simulated)


def picture(figure: Figure, kind: str) -> bytes:
    """Return a figure as the bytes of a PNG, SVG or PDF file; in SVG and PDF text stays text."""
    import matplotlib as mpl

    clean_text(figure)
    buffer = io.BytesIO()
    with mpl.rc_context(text_stays_text()):
        figure.savefig(buffer, format=kind, dpi=150)
    return buffer.getvalue()
