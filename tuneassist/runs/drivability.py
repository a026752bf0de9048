"""Smoothness of torque: roughness along a pull, and dips of the torque curve.

Roughness is the root mean square of a pull's torque about its own smooth curve (the local parabola
of `tuneassist.runs.smoothing`). It includes the logger's noise and dips narrower than the window:
compare it only between logs of one instrument at one rate. It is given in N.m and in percent of the
curve. Instrument noise is constant in N.m, so that in percent it falls as torque grows; the
engine's own unevenness grows with torque. An engine is rougher if both figures rise.

The depth of a dip is measured from the lower of its two shoulders.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.signal import find_peaks, peak_prominences

from tuneassist.grid import Floats
from tuneassist.runs.curves import runs_matrix
from tuneassist.runs.settings import RunSettings
from tuneassist.runs.smoothing import smooth
from tuneassist.runs.statistics import mean_of_repeats, welch

SUMMARY = ["measure", "unit", "rpm_from", "rpm_to", "before", "before_low", "before_high", "after",
           "after_low", "after_high", "change", "change_low", "change_high", "n_before", "n_after",
           "method"]  # fmt: skip
DIPS = ["side", "rpm", "depth_nm", "depth_pct", "low_pct", "high_pct", "runs_with", "n", "method"]


def roughness(
    rpm: Floats,
    torque_nm: Floats,
    settings: RunSettings,
    band: tuple[float, float] = (0.0, np.inf),
) -> tuple[float, float]:
    """Roughness of one pull's torque.

    Parameters
    ----------
    rpm, torque_nm
        Samples in time order, shape (n,).
    settings
        Window of the smooth curve.
    band
        Speeds whose samples count; all by default. [rpm]

    Returns
    -------
    in_nm, in_pct
        Rms of residual, and of residual over curve; nan where there is no curve. [N.m], [%]
    """
    at = np.linspace(np.nanmin(rpm), np.nanmax(rpm), 200)
    curve = smooth(
        rpm,
        torque_nm,
        at,
        half_width=settings.smooth_half_width_rpm,
        min_points=settings.smooth_min_points,
    )
    trend = torque_nm - curve.residual
    is_known = np.isfinite(curve.residual) & (trend > 0) & (rpm >= band[0]) & (rpm <= band[1])
    if not is_known.any():
        return float("nan"), float("nan")
    left = curve.residual[is_known]
    share = left / trend[is_known]
    return float(np.sqrt(np.mean(left**2))), float(100.0 * np.sqrt(np.mean(share**2)))


def find_dips(mean: pd.DataFrame, curves: pd.DataFrame, settings: RunSettings) -> pd.DataFrame:
    """Find the dips of each side's mean torque curve, and their depth in every run.

    Parameters
    ----------
    mean
        As from `tuneassist.runs.curves.mean_curves`.
    curves
        The runs of the mean.
    settings
        Least depth, level.

    Returns
    -------
    DataFrame
        Columns `DIPS`: speed and depth in the mean curve (share of the lower shoulder), the t
        interval of the depth over runs, and how many of the n runs have at least that depth there.
    """
    rows = []
    for side, part in mean.groupby("side", sort=False):
        full = part[part["is_full"]]
        torque, rpm = full["torque_nm"].to_numpy(), full["rpm"].to_numpy()
        at, _ = find_peaks(-torque)
        if not at.size:
            continue
        depth, left, right = peak_prominences(-torque, at)
        shoulder = torque[at] + depth
        runs = runs_matrix(curves[curves["side"] == side], "torque_nm", rpm)
        for k in np.flatnonzero(100.0 * depth / shoulder >= settings.dip_pct):
            place = (_shoulder(torque, left[k], at[k]), at[k], _shoulder(torque, at[k], right[k]))
            found = {"side": side, "rpm": rpm[at[k]]}
            rows.append(found | _dip(torque, runs, place, settings))
    return pd.DataFrame(rows, columns=DIPS)


def _shoulder(torque: Floats, first: int, last: int) -> int:
    """Highest point of a stretch: where the dip begins or ends."""
    return int(first + np.argmax(torque[first : last + 1]))


def _dip(
    torque: Floats, runs: Floats, place: tuple[int, int, int], settings: RunSettings
) -> dict[str, object]:
    left, at, right = place
    shoulder = np.minimum(runs[:, left], runs[:, right])
    share = 100.0 * (shoulder - runs[:, at]) / shoulder
    band = mean_of_repeats(share[:, None], level=settings.level)
    lower = min(torque[left], torque[right])
    return {
        "depth_nm": lower - torque[at],
        "depth_pct": 100.0 * (lower - torque[at]) / lower, "low_pct": band.low[0],
        "high_pct": band.high[0], "runs_with": int((share >= settings.dip_pct).sum()),
        "n": int(band.n[0]), "method": f"t interval over runs, {100 * settings.level:g} %"
        if band.n[0] > 1 else "one run: no interval",
    }  # fmt: skip


def summarise(
    table: pd.DataFrame, measures: dict[str, tuple[str, str]], settings: RunSettings
) -> pd.DataFrame:
    """Compare measures before and after, with intervals over repeats.

    Parameters
    ----------
    table
        One row per repeat: side ("before" or "after"), rpm_from, rpm_to, and the measures.
    measures
        Label of a measure to its column and unit.
    settings
        Level.

    Returns
    -------
    DataFrame
        Columns `SUMMARY`, one row per measure and band of speeds. t intervals of each side,
        Welch's for the change; nan where a side has fewer than two repeats.
    """
    rows = [
        {"measure": words, "unit": unit, "rpm_from": band[0], "rpm_to": band[1]}
        | _before_after(part, column, settings)
        for words, (column, unit) in measures.items()
        for band, part in table.groupby(["rpm_from", "rpm_to"])
    ]
    return pd.DataFrame(rows, columns=SUMMARY)


def _before_after(part: pd.DataFrame, column: str, settings: RunSettings) -> dict[str, object]:
    first, second = (
        part.loc[part["side"] == side, column].to_numpy(dtype=float)[:, None]
        for side in ("before", "after")
    )
    a, b = (mean_of_repeats(v, level=settings.level) for v in (first, second))
    change = welch(first, second, level=settings.level)
    known = np.isfinite(change.low[0])
    return {
        "before": a.mean[0], "before_low": a.low[0], "before_high": a.high[0],
        "after": b.mean[0], "after_low": b.low[0], "after_high": b.high[0],
        "change": change.difference[0], "change_low": change.low[0],
        "change_high": change.high[0], "n_before": int(a.n[0]), "n_after": int(b.n[0]),
        "method": f"t and Welch over repeats, {100 * settings.level:g} %" if known
        else "fewer than two repeats on a side: no interval",
    }  # fmt: skip
