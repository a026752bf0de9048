"""How far each hold is from the fit: the look that tells a bad hold from a bad cell."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tuneassist.evidence.lattice import LatticeFit
from tuneassist.evidence.need import from_surface_scale
from tuneassist.grid import Axes, bilinear_weights

COLUMNS = (
    "log", "start_s", "end_s", "samples", "rpm", "load", "need_ln", "total_need_ln", "is_used",
)  # fmt: skip
"""Columns of a hold that are handed on, where it has them."""


def hold_residuals(
    holds: pd.DataFrame, fit: LatticeFit | None, axes: Axes, *, kind: str
) -> pd.DataFrame:
    """Return each hold's distance from the fitted need.

    Parameters
    ----------
    holds
        As in `tuneassist.pipeline.Evidence.holds`: ``log, rpm, load, total_need_ln, is_used``.
    fit
        The fit of the same evidence; None gives nan residuals.
    axes
        The breakpoints.
    kind
        Kind of the target, "aim" or "floor".

    Returns
    -------
    pandas.DataFrame
        `COLUMNS` and ``residual_pct``, one row per hold; + is leaner than the fit. [%]
    """
    columns = [name for name in COLUMNS if name in holds]
    table = holds[columns].reset_index(drop=True)
    if fit is None or holds.empty:
        return table.assign(residual_pct=np.nan)
    surface = bilinear_weights(axes, holds["rpm"], holds["load"]) @ fit.theta
    gap = holds["total_need_ln"].to_numpy(dtype=float) - from_surface_scale(surface, kind)
    return table.assign(residual_pct=100.0 * np.expm1(gap))
