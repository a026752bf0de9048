"""One pull as a curve on the common speed grid, and the mean and band of a side's pulls."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from tuneassist.grid import Floats
from tuneassist.runs.pulls import Pull
from tuneassist.runs.settings import RunSettings
from tuneassist.runs.smoothing import smooth_all
from tuneassist.runs.statistics import mean_of_repeats
from tuneassist.runs.torque import power_kw

ALONG = (
    "lambda", "boost_kpa", "manifold_pressure_kpa", "exhaust_temp_c", "rail_pressure_kpa",
    "injector_duty_pct", "intake_temp_c", "lambda_target",
)  # fmt: skip
"""Columns kept along the pull besides torque and power."""

CURVE_COLUMNS = (
    "side", "log", "pull", "rpm", "torque_nm", "power_kw", "torque_se_nm", "measured_torque_nm",
    "factor", "half_width_rpm",
)  # fmt: skip


def curve_of(
    pull: Pull, torque_nm: Floats, *, side: str, factor: float, settings: RunSettings
) -> pd.DataFrame:
    """Smooth one pull onto the common speed grid.

    Parameters
    ----------
    pull
        The pull.
    torque_nm
        Its torque as measured, shape (n,). [N.m]
    side
        "before" or "after".
    factor
        To standard air; multiplies torque and power. [1]
    settings
        Grid and window.

    Returns
    -------
    DataFrame
        One row per speed that the pull covers: `CURVE_COLUMNS` and the logged columns of `ALONG`.
        Torque and power include the factor, ``measured_torque_nm`` does not; ``torque_se_nm``
        is the noise within this run only.
    """
    rpm = pull.samples["rpm"].to_numpy(dtype=float)
    at = speed_grid(float(rpm.min()), float(rpm.max()), settings.step_rpm)
    channels = {"torque": torque_nm} | {
        name: pull.samples[name].to_numpy(dtype=float) for name in ALONG if name in pull.samples
    }
    found = smooth_all(
        rpm,
        channels,
        at,
        half_width=settings.smooth_half_width_rpm,
        min_points=settings.smooth_min_points,
    )
    torque = found.pop("torque")
    columns = {
        "side": side,
        "log": pull.log,
        "pull": pull.number,
        "rpm": at,
        "torque_nm": factor * torque.value,
        "power_kw": power_kw(factor * torque.value, at),
        "torque_se_nm": factor * torque.se,
        "measured_torque_nm": torque.value,
        "factor": factor,
        "half_width_rpm": torque.half_width,
    }
    columns |= {name: smoothed.value for name, smoothed in found.items()}
    frame = pd.DataFrame(columns)
    return frame[frame["torque_nm"].notna()].reset_index(drop=True)


def speed_grid(low: float, high: float, step: float) -> Floats:
    """Return the multiples of ``step`` inside a range, so that all pulls share their speeds.

    Examples
    --------
    >>> speed_grid(1010.0, 1210.0, 50.0).tolist()
    [1050.0, 1100.0, 1150.0, 1200.0]
    """
    return np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step


def runs_matrix(curves: pd.DataFrame, column: str, rpm: Iterable[float]) -> Floats:
    """Return a side's curves as a matrix, one run per row, one speed per column, nan uncovered."""
    wide = curves.pivot_table(
        index=["log", "pull"], columns="rpm", values=column, aggfunc="first", sort=False
    )
    return wide.reindex(columns=list(rpm)).to_numpy(dtype=float)


def mean_curves(curves: pd.DataFrame, settings: RunSettings) -> pd.DataFrame:
    """Mean and band of the repeats of each side at every speed.

    Parameters
    ----------
    curves
        As from `curve_of`, several pulls and sides.
    settings
        Confidence level.

    Returns
    -------
    DataFrame
        Columns side, rpm, n, torque_nm, torque_sd_nm, torque_low_nm, torque_high_nm, power_kw,
        power_low_kw, power_high_kw, is_full (every run of the side covers this speed), method,
        and the mean of each of `ALONG` that was logged. The band is the t interval of the mean
        over runs, nan with one run.
    """
    sides = [
        _mean_of_side(side, part, settings) for side, part in curves.groupby("side", sort=False)
    ]
    return pd.concat(sides, ignore_index=True) if sides else pd.DataFrame()


def _mean_of_side(side: object, curves: pd.DataFrame, settings: RunSettings) -> pd.DataFrame:
    rpm = np.sort(curves["rpm"].unique())
    torque = mean_of_repeats(runs_matrix(curves, "torque_nm", rpm), level=settings.level)
    runs = len(curves[["log", "pull"]].drop_duplicates())
    frame = pd.DataFrame(
        {
            "side": side,
            "rpm": rpm,
            "n": torque.n.astype(int),
            "torque_nm": torque.mean,
            "torque_sd_nm": torque.sd,
            "torque_low_nm": torque.low,
            "torque_high_nm": torque.high,
            "power_kw": power_kw(torque.mean, rpm),
            "power_low_kw": power_kw(torque.low, rpm),
            "power_high_kw": power_kw(torque.high, rpm),
            "is_full": torque.n == runs,
            "method": f"t interval of the mean over runs, {100 * settings.level:g} %",
        }
    )
    along = curves.groupby("rpm")[[c for c in ALONG if c in curves]].mean()
    frame.loc[frame["n"] < 2, "method"] = "one run: no interval"
    return frame.join(along, on="rpm")
