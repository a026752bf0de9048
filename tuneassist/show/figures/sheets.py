"""Whole pictures of several frames on shared scales, which stand alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from tuneassist.evidence.residuals import hold_residuals
from tuneassist.loop.tune_set import Tune
from tuneassist.pipeline import Proposal
from tuneassist.runs import Equivalence, RunsComparison
from tuneassist.settings import Setup
from tuneassist.show.figures.captions import stand_alone
from tuneassist.show.figures.cells import plot_cells, plot_step
from tuneassist.show.figures.drawing import map_size, wrapped
from tuneassist.show.figures.full_load import (
    ALONG_WORDS,
    plot_along,
    plot_full_load,
    plot_gain,
    plot_tunes,
    plot_tunes_along,
)
from tuneassist.show.figures.spots import HEIGHT, plot_spots
from tuneassist.show.figures.tune import plot_holds
from tuneassist.show.figures.zero import plot_zero, zero_channels
from tuneassist.show.run_units import OutputUnits

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Frame
    from matplotlib.figure import Figure

FRAME_SIZE = (5.2, 3.3)
"""Width and height of a frame of a picture of curves. [inch]"""
VERDICT_SIZE = 10.0
"""Size of the type of a verdict. [pt]"""
ALONG = ("lambda", "boost_kpa", "exhaust_temp_c")
"""Channels drawn over speed, where they were logged."""
KNOWN = ("low", "fair", "good")
"""Confidences of a cell whose need is known."""


def full_load_figure(
    found: RunsComparison,
    *,
    zero: Equivalence | None = None,
    units: OutputUnits | None = None,
    car: str = "",
    date: str = "",
    is_simulated: bool = False,
) -> Figure:
    """Draw full-load runs: torque and power, and below the gain the limits on the same scale.

    Parameters
    ----------
    found
        The comparison.
    zero
        The zero check, drawn beside them; None leaves it out.
    units
        Units shown; None uses the internal ones.
    car, date
        For the caption.
    is_simulated
        Whether the data are simulated.

    Returns
    -------
    matplotlib.figure.Figure
        All frames share the scale of speed; none has a second scale.
    """
    units = units or OutputUnits()
    along = [c for c in ALONG if c in found.mean and found.mean[c].notna().any()]
    channels = [] if zero is None else zero_channels(zero) or ["torque"]
    rows = max(-(-(3 + len(along)) // 2), len(channels))
    figure, columns = _columns(rows, 3 if channels else 2)
    frames = [frame for pair in zip(columns[0], columns[1], strict=True) for frame in pair]
    for frame, quantity, inside in zip(
        frames[0::2], ("torque", "power"), ("N.m", "kW"), strict=False
    ):
        plot_full_load(found.mean, quantity, curves=found.curves, unit=units.word(inside),
                       is_simulated=is_simulated, ax=frame)  # fmt: skip
    plot_gain(found.gain, unit=units.torque, is_simulated=is_simulated, ax=frames[1])
    for frame, column in zip(frames[3:], along, strict=False):
        plot_along(found.mean, column, limit_checks=found.limit_checks, units=units,
                   is_simulated=is_simulated, ax=frame)  # fmt: skip
    if zero is not None:
        _draw_zero(figure, columns[2], zero, units, is_simulated=is_simulated)
    _hide_empty(columns)
    return stand_alone(figure, car=car, date=date, is_simulated=is_simulated)


def zero_figure(
    zero: Equivalence,
    *,
    units: OutputUnits | None = None,
    car: str = "",
    date: str = "",
    is_simulated: bool = False,
) -> Figure:
    """Draw the zero check alone: each channel between its margins, on one scale of speed.

    Parameters
    ----------
    zero
        From `tuneassist.runs.RunsComparison.equivalence`.
    units, car, date, is_simulated
        As for `full_load_figure`.
    """
    figure, columns = _columns(max(len(zero_channels(zero)), 1), 1)
    _draw_zero(figure, columns[0], zero, units or OutputUnits(), is_simulated=is_simulated)
    return stand_alone(figure, car=car, date=date, is_simulated=is_simulated)


def tunes_figure(
    tunes: Sequence[Tune],
    *,
    units: OutputUnits | None = None,
    predicted: Mapping[str, pd.DataFrame] | None = None,
    date: str = "",
    is_simulated: bool = False,
) -> Figure:
    """Draw a set of tunes on one sheet: torque by speed, and below it the limited channels.

    Parameters
    ----------
    tunes
        From least to most power.
    units
        Units shown; None uses the internal ones.
    predicted
        As for `plot_tunes`.
    date
        For the caption.
    is_simulated
        Whether the data are simulated.
    """
    units = units or OutputUnits()
    along = [
        column
        for column in ALONG_WORDS
        if any(
            tune.run is not None and column in tune.run and tune.run[column].notna().any()
            for tune in tunes
        )
    ]
    figure, frames = _columns(1 + len(along), 1, width=1.4)
    plot_tunes(tunes, unit=units.torque, predicted=predicted, is_simulated=is_simulated,
               ax=frames[0][0])  # fmt: skip
    for frame, column in zip(frames[0][1:], along, strict=True):
        plot_tunes_along(tunes, column, units=units, is_simulated=is_simulated, ax=frame)
    car = tunes[0].setup.engine.label if tunes else ""
    return stand_alone(figure, car=car, date=date, is_simulated=is_simulated)


def proposal_figure(proposal: Proposal, *, date: str = "", is_simulated: bool = False) -> Figure:
    """Draw a proposal: deviation, step, and the holds with their distance from the fit.

    Parameters
    ----------
    proposal
        From `tuneassist.propose`.
    date
        For the caption.
    is_simulated
        Whether the data are simulated.
    """
    setup = proposal.setup
    figure, (first, second, third) = _maps(setup, 3)
    plot_cells(proposal.cells, setup, is_simulated=is_simulated, ax=first)
    plot_step(proposal.cells, setup, binding=proposal.limited.binding, is_simulated=is_simulated,
              ax=second)  # fmt: skip
    evidence = proposal.evidence
    residuals = hold_residuals(evidence.holds, evidence.fit, setup.axes, kind=setup.target.kind)
    plot_holds(residuals, setup.axes, setup=setup, readings=proposal.cells,
               is_simulated=is_simulated, ax=third)  # fmt: skip
    return stand_alone(figure, car=setup.engine.label, date=date, is_simulated=is_simulated)


def spots_figure(
    spots: pd.DataFrame,
    proposal: Proposal,
    *,
    date: str = "",
    is_simulated: bool = False,
) -> Figure:
    """Draw values found by hand over the surface, beside the step proposed from them.

    Parameters
    ----------
    spots
        From `tuneassist.spots.spot_table`.
    proposal
        Made from them.
    date
        For the caption.
    is_simulated
        Whether the data are simulated.
    """
    setup = proposal.setup
    figure, (first, second) = _maps(setup, 2, height=HEIGHT)
    fit, cells = proposal.evidence.fit, proposal.cells
    need = np.full(len(cells), np.nan) if fit is None else 100.0 * np.expm1(fit.theta)
    surface = np.where(cells["confidence"].isin(KNOWN), need, np.nan)
    plot_spots(spots, surface, setup, is_simulated=is_simulated, ax=first)
    plot_step(cells, setup, binding=proposal.limited.binding, is_simulated=is_simulated, ax=second)
    return stand_alone(figure, car=setup.engine.label, date=date, is_simulated=is_simulated)


def _draw_zero(
    figure: Figure,
    frames: Sequence[Frame],
    zero: Equivalence,
    units: OutputUnits,
    *,
    is_simulated: bool,
) -> None:
    """Draw every channel of a zero check, and the verdict over all of them."""
    channels = zero_channels(zero) or ["torque"]
    for frame, channel in zip(frames, channels, strict=False):
        plot_zero(zero, channel, units=units, is_simulated=is_simulated, ax=frame)
    words = f"With all corrections at zero, against the standard car: {zero.verdict}"
    room = float(figure.get_size_inches()[0])
    figure.suptitle(wrapped(words, room, VERDICT_SIZE), x=0.01, ha="left", fontsize=VERDICT_SIZE,
                    fontweight="bold")  # fmt: skip


def _columns(rows: int, columns: int, *, width: float = 1.0) -> tuple[Figure, list[list[Frame]]]:
    """Return a figure and its frames by column, all on one scale of speed."""
    from matplotlib.figure import Figure

    figure = Figure(
        figsize=(columns * width * FRAME_SIZE[0], rows * FRAME_SIZE[1]), layout="constrained"
    )
    frames = figure.subplots(rows, columns, squeeze=False, sharex=True)
    for frame in frames.ravel():
        frame.tick_params(labelbottom=True)
    return figure, [list(column) for column in frames.T]


def _maps(setup: Setup, count: int, *, height: float = 1.0) -> tuple[Figure, list[Frame]]:
    """Return a figure of maps side by side."""
    from matplotlib.figure import Figure

    width, high = map_size(setup.axes)
    figure = Figure(figsize=(count * width, height * high), layout="constrained")
    return figure, list(figure.subplots(1, count, squeeze=False)[0])


def _hide_empty(frames: Sequence[Sequence[Frame]]) -> None:
    for column in frames:
        for frame in column:
            if not frame.has_data():
                frame.set_axis_off()
