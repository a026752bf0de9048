"""Operating points within reach at which a plan may ask for holds, and the weight of each."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.evidence.hull import MIN_WEIGHT
from tuneassist.evidence.lattice import axis_positions
from tuneassist.evidence.load_envelope import (
    envelope_of_holds,
    is_within_envelope,
    joined_envelopes,
)
from tuneassist.evidence.need import target_at
from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes, Floats, bilinear_weights
from tuneassist.loop.settings import PlanSettings
from tuneassist.pipeline import Evidence
from tuneassist.settings import CEILING_CHANNELS, Setup

Mask = npt.NDArray[np.bool_]


def visits_per_cell(evidence: Evidence, axes: Axes) -> Floats:
    """Count samples per cell, as far as the evidence records them.

    Parameters
    ----------
    evidence
        Its logs' ``visits`` count where they have them, else the holds and what lies between them.
    axes
        Breakpoints.

    Returns
    -------
    numpy.ndarray
        Samples nearest to each breakpoint, shape (cells,). [1]
    """
    total = np.zeros(axes.size)
    known = [
        visits for log in evidence.logs if (visits := getattr(log, "visits", None)) is not None
    ]
    if known:
        return np.asarray(total + np.sum([np.asarray(v, dtype=float) for v in known], axis=0))
    return total if evidence.holds.empty else _visits_from_holds(evidence.holds, axes, total)


def _visits_from_holds(holds: pd.DataFrame, axes: Axes, total: Floats) -> Floats:
    """Samples of the holds, and one visit for each fine point between those of near speeds."""
    rpm, load = (holds[c].to_numpy(dtype=float) for c in ("rpm", "load"))
    np.add.at(total, nearest_cell(axes, rpm, load), holds["samples"].to_numpy(dtype=float))
    fine_rpm, fine_load = (
        np.interp(np.arange(8 * len(points) - 7) / 8.0, np.arange(len(points)), points)
        for points in (axes.rpm, axes.load)
    )
    rpm_at, load_at = (m.ravel() for m in np.meshgrid(fine_rpm, fine_load, indexing="ij"))
    inside = is_within_envelope(axes, envelope_of_holds(axes, rpm, load), rpm_at, load_at)
    np.add.at(total, nearest_cell(axes, rpm_at[inside], load_at[inside]), 1.0)
    return total


def operating_point_table(
    evidence: Evidence, *, setup: Setup, settings: PlanSettings, visits: npt.ArrayLike | None = None
) -> pd.DataFrame:
    """List the operating points within the engine's reach as logged, half a cell apart.

    Reach in load depends on speed: a point lies within it where samples came near its cell, and
    where its load is no lower and no higher than what was driven within one breakpoint gap of its
    speed.

    Parameters
    ----------
    evidence
        Highest values of the channels with ceilings, and where holds have been.
    setup
        Axes, target, rev limit and ceilings.
    settings
        Reach and weights.
    visits
        Samples nearest to each breakpoint, moves included, shape (cells,) or of the axes; None
        takes what the evidence records. [1]

    Returns
    -------
    pandas.DataFrame
        ``rpm, load, weight, is_allowed``. The weight is the point's share of the map, physically
        measured, times how much is driven there. Points that matter but where no hold may be asked
        for (a ceiling was passed there or at less load, or the rev limit is near) are kept, not
        allowed.
    """
    axes = setup.axes
    seen = visits_per_cell(evidence, axes) if visits is None else np.asarray(visits, dtype=float)
    is_seen = seen.reshape(axes.shape) >= settings.min_visits
    at_rpm, at_load = (_half_steps(len(points)) for points in (axes.rpm, axes.load))
    near_rpm, near_load = (
        (np.abs(at[:, None] - np.arange(len(points))) <= settings.reach_cells).astype(float)
        for at, points in ((at_rpm, axes.rpm), (at_load, axes.load))
    )
    reached = (near_rpm @ is_seen.astype(float) @ near_load.T > 0).ravel()
    fine_rpm, fine_load = (
        np.interp(at, np.arange(len(points)), points)
        for at, points in ((at_rpm, axes.rpm), (at_load, axes.load))
    )
    rpm, load = (m.ravel() for m in np.meshgrid(fine_rpm, fine_load, indexing="ij"))
    reached &= _is_driven(evidence, axes, rpm, load, beyond_cells=settings.reach_cells - 0.5)
    rpm, load = rpm[reached], load[reached]
    area = np.outer(_width(fine_rpm), _width(fine_load)).ravel()[reached]
    table = pd.DataFrame({"rpm": rpm, "load": load})
    table["weight"] = area * driving_weight(axes, rpm, load, settings)
    table["is_allowed"] = _is_allowed(evidence.cells, rpm, load, setup, settings)
    is_wanted = np.isfinite(target_at(axes, setup.target.table, rpm, load))
    return table[is_wanted].reset_index(drop=True)


def _is_driven(
    evidence: Evidence, axes: Axes, rpm: Floats, load: Floats, *, beyond_cells: float
) -> Mask:
    """Places no farther than this beyond what was driven near their speed; all, if none is known.

    Holds count as well; of a log without driven loads only its holds count.
    """
    known = [
        table
        for log in evidence.logs
        for table in (
            envelope_of_holds(axes, *(log.holds[c].to_numpy(dtype=float) for c in ("rpm", "load"))),
            log.driven,
        )
        if table is not None
    ]
    if not known:
        return np.ones(len(rpm), dtype=bool)
    driven, steps = (
        joined_envelopes(known),
        [0.0, -beyond_cells, beyond_cells] if beyond_cells > 0 else [0.0],
    )
    found = np.zeros(len(rpm), dtype=bool)
    for along_rpm in steps:
        for along_load in steps:
            near = _moved(axes.rpm, rpm, along_rpm), _moved(axes.load, load, along_load)
            found |= is_within_envelope(axes, driven, *near)
    return found


def _moved(points: Floats, values: Floats, cells: float) -> Floats:
    """Values so many cells up or down their axis."""
    at = np.arange(len(points))
    return np.interp(np.interp(values, points, at) + cells, at, points)


def driving_weight(axes: Axes, rpm: Floats, load: Floats, settings: PlanSettings) -> Floats:
    """Return the weight of each point, 1 in the range where road cars run, shape (n,). [1]

    Examples
    --------
    >>> axes = Axes(rpm=np.array([1000.0, 5000.0]), load=np.array([0.0, 100.0]))
    >>> rpm = np.array([1000.0, 3000.0, 4000.0, 5000.0])
    >>> driving_weight(axes, rpm, np.zeros(4), PlanSettings()).round(2)
    array([1.  , 1.  , 0.65, 0.3 ])
    """
    share = (rpm - axes.rpm[0]) / (axes.rpm[-1] - axes.rpm[0])
    past = np.clip(
        (share - settings.full_until_share) / max(1.0 - settings.full_until_share, 1e-9), 0.0, 1.0
    )
    weight = 1.0 - (1.0 - settings.top_weight) * (1.0 - np.cos(np.pi * past)) / 2.0
    for region in settings.regions:
        inside = (rpm >= region.rpm[0]) & (rpm <= region.rpm[1])
        inside &= (load >= region.load[0]) & (load <= region.load[1])
        weight = np.where(inside, weight * region.weight, weight)
    return np.asarray(weight)


def cells_past_ceilings(cells: pd.DataFrame, setup: Setup) -> Mask:
    """Cells where a ceiling was reached, and those at more load and equal speed; shape of axes."""
    hot = np.zeros(setup.axes.size, dtype=bool)
    for name, ceiling in setup.limits.ceilings.items():
        column = f"{CEILING_CHANNELS[name][0]}_max"
        if column in cells:
            hot |= cells[column].to_numpy(dtype=float) >= ceiling.ceiling
    return np.asarray(np.logical_or.accumulate(hot.reshape(setup.axes.shape), axis=1))


def _half_steps(count: int) -> Floats:
    return np.arange(2 * count - 1) / 2.0


def _width(points: Floats) -> Floats:
    """Share of an axis that each point represents."""
    return np.asarray(np.gradient(axis_positions(points)))


def _is_allowed(
    cells: pd.DataFrame, rpm: Floats, load: Floats, setup: Setup, settings: PlanSettings
) -> Mask:
    hot = cells_past_ceilings(cells, setup).ravel().astype(float)
    weights = bilinear_weights(setup.axes, rpm, load) if len(rpm) else None
    cool = np.ones(0, dtype=bool) if weights is None else np.asarray(weights @ hot) < MIN_WEIGHT
    limit = setup.engine.rev_limit_rpm
    return cool if limit is None else cool & (rpm <= limit - settings.rev_margin_rpm)
