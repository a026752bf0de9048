"""Gain at every speed and over the driven speeds, and the peaks.

Runs of a side differ more from run to run (heat, tyres, turbine speed) than within a run, so that
intervals come from repeats. With one run on a side there is no interval. Separate columns give the
noise within the runs alone, which understates the uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats
from scipy.integrate import trapezoid

from tuneassist.grid import Floats
from tuneassist.runs.curves import runs_matrix, speed_grid
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.settings import RunSettings
from tuneassist.runs.statistics import welch
from tuneassist.runs.torque import power_kw

CHOOSE_OTHERS = "Choose other speeds with --driven LOW HIGH (driven_rpm of the settings)."
NO_REPEATS = "one run on a side: no interval beyond the noise inside the runs"


def gain_curve(curves: pd.DataFrame, settings: RunSettings) -> pd.DataFrame:
    """Gain at every speed that both sides cover.

    Parameters
    ----------
    curves
        Curves of sides "before" and "after".
    settings
        Confidence level.

    Returns
    -------
    DataFrame
        Columns rpm, n_before, n_after, before_nm, after_nm, gain_nm, gain_low_nm, gain_high_nm,
        gain_kw, gain_low_kw, gain_high_kw, gain_pct, gain_low_pct, gain_high_pct, df,
        noise_low_nm, noise_high_nm, method. Low and high are Welch's over runs, each speed for
        itself; percents are of ratios, calculated in logarithms. Noise columns: scatter
        within the runs only.
    """
    before, after = curves[curves["side"] == "before"], curves[curves["side"] == "after"]
    rpm = np.intersect1d(before["rpm"].unique(), after["rpm"].unique())
    a, b = runs_matrix(before, "torque_nm", rpm), runs_matrix(after, "torque_nm", rpm)
    step = welch(a, b, level=settings.level)
    ratio = welch(_log(a), _log(b), level=settings.level)
    noise = _noise_half_width(before, after, rpm, settings.level)
    frame = pd.DataFrame(
        {
            "rpm": rpm,
            "n_before": np.isfinite(a).sum(axis=0),
            "n_after": np.isfinite(b).sum(axis=0),
            "before_nm": np.nanmean(a, axis=0) if len(rpm) else [],
            "after_nm": np.nanmean(b, axis=0) if len(rpm) else [],
            "gain_nm": step.difference,
            "gain_low_nm": step.low,
            "gain_high_nm": step.high,
            "gain_kw": power_kw(step.difference, rpm),
            "gain_low_kw": power_kw(step.low, rpm),
            "gain_high_kw": power_kw(step.high, rpm),
            "gain_pct": _percent(ratio.difference),
            "gain_low_pct": _percent(ratio.low),
            "gain_high_pct": _percent(ratio.high),
            "df": step.df,
            "noise_low_nm": step.difference - noise,
            "noise_high_nm": step.difference + noise,
        }
    )
    named = f"Welch over runs, {100 * settings.level:g} %, each speed for itself"
    frame["method"] = np.where(np.isfinite(step.low), named, NO_REPEATS)
    return frame


def driven_gain(curves: pd.DataFrame, settings: RunSettings) -> pd.DataFrame | Refusal:
    """Gain averaged over the driven speeds.

    Parameters
    ----------
    curves
        Curves of sides "before" and "after".
    settings
        ``driven_rpm`` and level.

    Returns
    -------
    DataFrame or Refusal
        One row for torque [N.m] and one for power [kW]: quantity, unit, rpm_from, rpm_to, before,
        after, gain, low, high, gain_pct, low_pct, high_pct, n_before, n_after, method. Each run
        is averaged first: the run is the unit. Where no run of a side covers all of the speeds,
        the part that every run covers is used (see ``rpm_from``, ``rpm_to``); a refusal where
        that is too narrow.
    """
    sides = [curves[curves["side"] == side] for side in ("before", "after")]
    band = covered_band(sides, settings)
    if isinstance(band, Refusal):
        return band
    rows = []
    for quantity, column, unit in (("torque", "torque_nm", "N.m"), ("power", "power_kw", "kW")):
        before, after = (band_means(side, column, band, settings) for side in sides)
        row = {"quantity": quantity, "unit": unit, "rpm_from": band[0], "rpm_to": band[1]}
        rows.append({**row, **_compared(before, after, settings)})
    return pd.DataFrame(rows)


def covered_band(
    sides: Sequence[pd.DataFrame], settings: RunSettings
) -> tuple[float, float] | Refusal:
    """Return the driven speeds, or the part that every run of both sides covers. [rpm]"""
    low, high = settings.driven_rpm
    if all(len(band_means(side, "torque_nm", (low, high), settings)) for side in sides):
        return low, high
    rpm = speed_grid(low, high, settings.step_rpm)
    is_covered = np.ones(len(rpm), dtype=bool)
    for side in sides:
        is_covered &= np.isfinite(runs_matrix(side, "torque_nm", rpm)).all(axis=0)
    block = np.cumsum(~is_covered)[is_covered]  # speeds without a gap between have one number
    if block.size:
        number = np.bincount(block).argmax()
        part = rpm[is_covered][block == number]
        if np.ptp(part) >= settings.least_driven_rpm:
            return float(part[0]), float(part[-1])
    shared = f"{rpm[is_covered][0]:g} to {rpm[is_covered][-1]:g} rpm" if block.size else "none"
    words = (
        f"The runs do not cover the driven speeds, {low:g} to {high:g} rpm. All runs share "
        f"{shared}; at least {settings.least_driven_rpm:g} rpm is needed. {CHOOSE_OTHERS}"
    )
    numbers = {"rpm_from": low, "rpm_to": high}
    return Refusal("driven speeds not covered", words, MappingProxyType(numbers))


def uncovered_note(driven: pd.DataFrame, settings: RunSettings) -> str:
    """Describe which driven speeds are not in the mean; empty where all are."""
    low, high = settings.driven_rpm
    first, last = (float(driven[name].iloc[0]) for name in ("rpm_from", "rpm_to"))
    parts = [f"{low:g} to {first:g} rpm"] if first > low else []
    parts += [f"{last:g} to {high:g} rpm"] if last < high else []
    if not parts:
        return ""
    return (
        f"The runs do not cover {' and '.join(parts)} of the driven speeds, {low:g} to "
        f"{high:g} rpm: the mean gain is from {first:g} to {last:g} rpm. "
        f"{CHOOSE_OTHERS}"
    )


def band_means(
    curves: pd.DataFrame, column: str, band: tuple[float, float], settings: RunSettings
) -> Floats:
    """Mean of each run over a band of speeds, by the trapezium rule; only runs that cover it.

    Parameters
    ----------
    curves
        Curves of one side.
    column
        What is averaged.
    band
        From and to. [rpm]
    settings
        Grid spacing.

    Returns
    -------
    numpy.ndarray
        Shape (runs that cover the band,), in the order of the curves.
    """
    step = settings.step_rpm
    rpm = np.arange(np.ceil(band[0] / step), np.floor(band[1] / step) + 1) * step
    if not len(curves) or len(rpm) < 2:
        return np.empty(0)
    values = runs_matrix(curves, column, rpm)
    means = trapezoid(values, rpm, axis=1) / float(np.ptp(rpm))
    return np.asarray(means[np.isfinite(means)])


def find_peaks_of_mean(mean: pd.DataFrame) -> pd.DataFrame:
    """Peaks of each side's mean curve, with their speeds.

    Parameters
    ----------
    mean
        As from `tuneassist.runs.curves.mean_curves`. Only speeds that every run covers count,
        so that a run which ends early makes no step.

    Returns
    -------
    DataFrame
        Columns side, quantity, unit, peak, low, high, rpm, n, is_at_edge. The interval is that of
        the mean at this speed; with ``is_at_edge`` the curve was still rising where the runs
        ended, and the true peak may be higher.
    """
    rows = []
    for side, part in mean.groupby("side", sort=False):
        full = part[part["is_full"]]
        if full.empty:
            continue
        for quantity, unit in (("torque", "nm"), ("power", "kw")):
            at = int(full[f"{quantity}_{unit}"].to_numpy().argmax())
            row = full.iloc[at]
            rows.append(
                {
                    "side": side,
                    "quantity": quantity,
                    "unit": {"nm": "N.m", "kw": "kW"}[unit],
                    "peak": row[f"{quantity}_{unit}"],
                    "low": row[f"{quantity}_low_{unit}"],
                    "high": row[f"{quantity}_high_{unit}"],
                    "rpm": row["rpm"],
                    "n": row["n"],
                    "is_at_edge": at in (0, len(full) - 1),
                }
            )
    columns = ["side", "quantity", "unit", "peak", "low", "high", "rpm", "n", "is_at_edge"]
    return pd.DataFrame(rows, columns=columns)


def main_figures(curves: pd.DataFrame, mean: pd.DataFrame, settings: RunSettings) -> pd.DataFrame:
    """Peak torque and power, and their means low down, before and after with the gain.

    Parameters
    ----------
    curves
        Curves of both sides.
    mean
        Their mean curves, as from `tuneassist.runs.curves.mean_curves`.
    settings
        Low speeds and level.

    Returns
    -------
    DataFrame
        Columns figure ("peak" or "low down"), quantity, unit, before, after, gain, low, high,
        gain_pct, low_pct, high_pct, n_before, n_after, method; rpm_before and rpm_after of the
        peaks, rpm_from and rpm_to of the low speeds, nan for the others; is_at_edge as in
        `find_peaks_of_mean`, where it is so on either side. A peak is compared at the speed where
        the mean of its side is highest, with Welch's interval over the runs there. No rows low
        down where the runs do not cover enough of it.
    """
    rows = _peak_rows(curves, find_peaks_of_mean(mean), settings)
    low = driven_gain(curves, replace(settings, driven_rpm=settings.low_rpm))
    if not isinstance(low, Refusal):
        rows += [{"figure": "low down", **row} for row in low.to_dict("records")]
    columns = ["figure", "quantity", "unit", "rpm_before", "rpm_after", "rpm_from", "rpm_to",
               "before", "after", "gain", "low", "high", "gain_pct", "low_pct", "high_pct",
               "n_before", "n_after", "is_at_edge", "method"]  # fmt: skip
    found = pd.DataFrame(rows, columns=columns)
    return found.assign(is_at_edge=found["is_at_edge"].eq(True))


def _peak_rows(
    curves: pd.DataFrame, peaks: pd.DataFrame, settings: RunSettings
) -> list[dict[Any, Any]]:
    """Compare the peaks of both sides, each at its own speed."""
    rows: list[dict[Any, Any]] = []
    for quantity, column in (("torque", "torque_nm"), ("power", "power_kw")):
        of = peaks[peaks["quantity"] == quantity].set_index("side")
        if not {"before", "after"} <= set(of.index):
            continue
        before, after = (
            runs_matrix(curves[curves["side"] == side], column, of["rpm"][[side]].to_numpy())[:, 0]
            for side in ("before", "after")
        )
        rows.append(
            {"figure": "peak", "quantity": quantity, "unit": of["unit"].iloc[0],
             "rpm_before": of["rpm"]["before"], "rpm_after": of["rpm"]["after"],
             "is_at_edge": bool(of["is_at_edge"].any()), **_compared(before, after, settings)}
        )  # fmt: skip
    return rows


def _compared(before: Floats, after: Floats, settings: RunSettings) -> dict[str, object]:
    step = welch(before[:, None], after[:, None], level=settings.level)
    ratio = welch(_log(before)[:, None], _log(after)[:, None], level=settings.level)
    named = f"Welch over runs, {100 * settings.level:g} %"
    return {
        "before": before.mean(),
        "after": after.mean(),
        "gain": step.difference[0],
        "low": step.low[0],
        "high": step.high[0],
        "gain_pct": _percent(ratio.difference)[0],
        "low_pct": _percent(ratio.low)[0],
        "high_pct": _percent(ratio.high)[0],
        "n_before": len(before),
        "n_after": len(after),
        "method": named if np.isfinite(step.low[0]) else NO_REPEATS,
    }


def _noise_half_width(
    before: pd.DataFrame, after: pd.DataFrame, rpm: Floats, level: float
) -> Floats:
    """Half width of the difference of means from the scatter within the runs only."""
    total = np.zeros(len(rpm))
    for side in (before, after):
        se = runs_matrix(side, "torque_se_nm", rpm)
        n = np.maximum(np.isfinite(se).sum(axis=0), 1)
        total += np.nansum(se**2, axis=0) / n**2
    return np.asarray(stats.norm.ppf(0.5 + level / 2.0) * np.sqrt(total))


def _log(values: Floats) -> Floats:
    return np.log(np.where(values > 0, values, np.nan))


def _percent(log_ratio: Floats) -> Floats:
    return np.asarray(100.0 * np.expm1(log_ratio))
