"""What lets a picture stand alone: car, date, and whether the data are simulated."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tuneassist.show.display import plain
from tuneassist.show.figures.colours import QUIET
from tuneassist.show.figures.drawing import SIMULATED, escape_math, wrapped

if TYPE_CHECKING:
    from matplotlib.figure import Figure

NO_LABEL = "car without a label"
CAPTION_SIZE = 7.5
"""Size of the type of a caption. [pt]"""


def stand_alone(figure: Figure, *, car: str, date: str = "", is_simulated: bool = False) -> Figure:
    """Write car, date and whether the data are simulated below a figure; a second time replaces it.

    Parameters
    ----------
    figure
        From any ``plot_*``: ``plot_cells(...).figure``.
    car
        The car's label.
    date
        When the picture was made, as text; empty leaves it out.
    is_simulated
        Whether the data are simulated.

    Returns
    -------
    matplotlib.figure.Figure
        The same figure.
    """
    parts = (plain(car) or NO_LABEL, plain(date), SIMULATED if is_simulated else "")
    words = wrapped(
        " · ".join(part for part in parts if part), float(figure.get_size_inches()[0]), CAPTION_SIZE
    )
    figure.supxlabel(escape_math(words), x=0.01, ha="left", fontsize=CAPTION_SIZE, color=QUIET)
    return figure
