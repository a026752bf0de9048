"""What each sample needs: its lambda against the target, composed with trims already applied.

need = lambda/target x (1 + short trim) x (1 + long trim), worked in logarithms, so that open and
closed loop samples of one cell agree on what the cell needs.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from tuneassist.grid import Axes, Floats, axis_weights
from tuneassist.settings import SteadySettings

TRIM_COLUMNS = ("fuel_trim_short_pct", "fuel_trim_long_pct")


def target_at(axes: Axes, table: Floats, rpm: Floats, load: Floats) -> Floats:
    """Look up the wanted lambda; nan where cells that are to be left alone have half the say.

    Parameters
    ----------
    axes
        Breakpoints.
    table
        Wanted lambda, nan for cells left alone. Shape of the axes. [lambda]
    rpm, load
        Operating points, shape (n,). [rpm], [load unit]

    Returns
    -------
    numpy.ndarray
        Shape (n,). [lambda]

    Examples
    --------
    >>> square = Axes(rpm=np.array([0.0, 1.0]), load=np.array([0.0, 1.0]))
    >>> table = np.array([[1.0, 0.9], [1.0, np.nan]])
    >>> target_at(square, table, np.array([0.0, 1.0]), np.array([0.5, 1.0]))
    array([0.95,  nan])
    """
    found = np.full(len(rpm), np.nan)
    rows: Any = np.flatnonzero(np.isfinite(rpm) & np.isfinite(load))
    if rows.size == 0:
        return found
    if len(rows) == len(rpm):
        rows = slice(None)
    is_set = np.isfinite(table)
    share, total = _looked_up(
        axes, (is_set.astype(float), np.where(is_set, table, 0.0)), rpm[rows], load[rows]
    )
    enough = share > 0.5
    if isinstance(rows, slice):
        return np.where(enough, total / np.where(enough, share, 1.0), np.nan)
    found[rows[enough]] = total[enough] / share[enough]
    return found


def _looked_up(
    axes: Axes, tables: tuple[Floats, ...], rpm: Floats, load: Floats
) -> tuple[Floats, ...]:
    """Look tables up as `bilinear_weights` does, without a matrix: for long logs."""
    row, up_rpm = axis_weights(axes.rpm, rpm)
    column, up_load = axis_weights(axes.load, load)
    width = len(axes.load)
    corner = row * width + column
    low_rpm, low_load = 1 - up_rpm, 1 - up_load
    found = []
    for table in tables:
        flat = table.ravel()
        total = low_rpm * low_load * flat[corner]
        total += low_rpm * up_load * flat[corner + 1]
        total += up_rpm * low_load * flat[corner + width]
        total += up_rpm * up_load * flat[corner + width + 1]
        found.append(total)
    return tuple(found)


def inside_axes(axes: Axes, rpm: Floats, load: Floats, *, margin_cells: float) -> Floats:
    """Tell which points lie on the axes or within a margin outside them.

    Parameters
    ----------
    axes
        Breakpoints.
    rpm, load
        Operating points, shape (n,).
    margin_cells
        Margin in units of the outermost cell's width. [cells]

    Returns
    -------
    numpy.ndarray
        True where inside, shape (n,).
    """
    ok = np.ones(len(rpm), dtype=bool)
    for points, values in ((axes.rpm, rpm), (axes.load, load)):
        below = points[0] - margin_cells * (points[1] - points[0])
        above = points[-1] + margin_cells * (points[-1] - points[-2])
        ok &= (values >= below) & (values <= above)
    return ok


STOP_WORDS = ("", "rich", "lean")
"""What the numbers of stops are called in the table of holds."""


def need_values(
    lam: Floats | None,
    *,
    target_lambda: Floats,
    trims: Mapping[str, Floats],
    stops: tuple[float, float],
    settings: SteadySettings,
) -> tuple[Floats, npt.NDArray[np.int8]]:
    """Tell what each sample needs and whether it is at a stop.

    Parameters
    ----------
    lam
        Aligned lambda; None where only trims were logged. [lambda]
    target_lambda
        Wanted lambda at each sample. [lambda]
    trims
        Column to trim, in the order of `TRIM_COLUMNS`. [%]
    stops
        The sensor's richest and leanest reading. [lambda]
    settings
        Gives the trims' stop.

    Returns
    -------
    need, stop
        Shape (n,) each; need is nan without a value, stop a place in `STOP_WORDS`. A trim at its
        stop counts in the direction in which it pulls. [ln], [1]
    """
    at_stop = np.zeros(len(target_lambda), dtype=np.int8)
    if lam is not None:
        with np.errstate(invalid="ignore", divide="ignore"):
            need = np.where(lam > 0, np.log(lam / target_lambda), np.nan)
        richest, leanest = stops
        at_stop[lam <= richest * (1 + settings.stop_width)] = 1
        at_stop[lam >= leanest * (1 - settings.stop_width)] = 2
    else:
        need = np.where(np.isfinite(target_lambda), 0.0, np.nan)
    for trim in trims.values():
        at_stop[trim >= settings.trim_stop_pct] = 2
        at_stop[trim <= -settings.trim_stop_pct] = 1
        need = need + np.log1p(np.clip(trim, -99.0, None) / 100.0)
    return need, at_stop


def correction_need_ln(correction_pct: Floats, acts_on: str) -> Floats:
    """Share of the total need that a correction in force already meets.

    Parameters
    ----------
    correction_pct
        The correction; nan corrects nothing. [%]
    acts_on
        "fuel": more fuel makes lambda richer, and meets a lean need. "boost": more air makes it
        leaner, and adds to it.

    Returns
    -------
    numpy.ndarray
        To be added to what is still measured. [ln]

    Examples
    --------
    >>> correction_need_ln(np.array([10.0]), "fuel").round(4)
    array([0.0953])
    >>> correction_need_ln(np.array([10.0]), "boost").round(4)
    array([-0.0953])
    """
    met = np.log1p(np.nan_to_num(correction_pct) / 100.0)
    return np.asarray(met if acts_on == "fuel" else -met)


def surface_scale(need_ln: Floats, kind: str) -> Floats:
    """Turn ln of the total need into the scale on which its surface is smooth.

    Parameters
    ----------
    need_ln
        ln of lambda over target, shape (n,). [1]
    kind
        Kind of the target. For an "aim" needs are small and their logarithm is the scale. Against
        a "floor" lambda reaches several times the target at light load, where its logarithm bends
        steeply; there the scale is 1 - target/lambda, the missing share of the fuel that the floor
        allows, which is nearly straight in load. Both agree near zero. [str]

    Returns
    -------
    numpy.ndarray
        Shape (n,), + is leaner. [1]
    """
    return np.asarray(need_ln if kind == "aim" else -np.expm1(-need_ln))


def from_surface_scale(value: Floats, kind: str) -> Floats:
    """Inverse of `surface_scale`; what no mixture can reach becomes infinity.

    Examples
    --------
    >>> from_surface_scale(surface_scale(np.array([-0.2, 0.1, 1.1]), "floor"), "floor").round(9)
    array([-0.2,  0.1,  1.1])
    """
    if kind == "aim":
        return np.asarray(value)
    return np.asarray(-np.log(np.maximum(1.0 - value, 1e-12)))


def scatter_scale(need_ln: Floats, kind: str) -> Floats:
    """Size on the surface's scale of a small relative change of lambda, shape (n,). [1]"""
    return np.ones_like(need_ln) if kind == "aim" else np.asarray(np.exp(-need_ln))
