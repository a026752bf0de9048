"""Which samples are steady, warm, fuelled and inside the sensor's span: one mask per filter.

The steadiness test is a range test. Over a short window a channel at rest stays within the range
that its own noise explains; a channel on the move does not. The noise is taken from the log: a
low quantile of all the windows' ranges belongs to windows at rest, and the distribution of the
range of n independent normal values (Tippett, Biometrika 17, 1925, 364-387; in scipy the
studentized range with infinite degrees of freedom) tells how much farther a window at rest may
spread. Compared with the ratio of filtered variances of Cao and Rhinehart (J. Process Control
5(6), 1995, 363-374) it keeps its level on the correlated noise of real logs, where their ratio
with its usual critical value rejects most samples at rest, and it gives exact bounds of a stretch.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import ndimage, stats

from tuneassist.grid import Floats
from tuneassist.settings import Ignition, SteadySettings

Mask = npt.NDArray[np.bool_]


@lru_cache(maxsize=64)
def range_ratio(n: int, *, quiet_share: float, keep_share: float) -> float:
    """How much wider than a typical range the range of ``n`` normal values may be.

    Parameters
    ----------
    n
        Number of independent values. [1]
    quiet_share, keep_share
        Quantile from which the noise is read and quantile up to which a window passes. [1]

    Returns
    -------
    float
        Ratio of the two quantiles of the range. [1]
    """
    upper = stats.studentized_range.ppf(keep_share, n, np.inf)
    lower = stats.studentized_range.ppf(quiet_share, n, np.inf)
    return float(upper / lower)


def window_rows(interval_s: float, settings: SteadySettings) -> int:
    """Rows in a window: the set time, but at least ``settings.min_samples``."""
    return max(settings.min_samples, round(settings.window_s / interval_s) + 1)


def rolling_range(values: Floats, rows: int) -> Floats:
    """Range of each window of ``rows`` samples, by the window's first row; shape (n-rows+1,)."""
    if len(values) < rows:
        return np.empty(0)
    shift = -((rows - 1) // 2)
    top = ndimage.maximum_filter1d(values, rows, origin=shift, mode="nearest")
    bottom = ndimage.minimum_filter1d(values, rows, origin=shift, mode="nearest")
    first = rows // 2 - (rows - 1) // 2
    spread = (top - bottom)[first : len(values) - rows + 1 + first]
    return np.asarray(spread)


def band_width(
    spread: Floats,
    *,
    level: Floats | None = None,
    floor: Floats | float,
    ceiling: Floats | float,
    rows: int,
    settings: SteadySettings,
) -> Floats:
    """Widest range that still counts as steady, per window.

    Parameters
    ----------
    spread
        Range of every usable window. [channel unit]
    level
        Value of the channel at every window, since many signals are noisier the higher they
        read. None: the noise is the same everywhere. [channel unit]
    floor, ceiling
        Narrowest and widest band. [channel unit]
    rows
        Samples in a window. [1]
    settings
        Gives the quantiles.

    Returns
    -------
    numpy.ndarray
        The floor, or what the log's own noise asks for, at most the ceiling. [channel unit]
    """
    finite = spread[np.isfinite(spread)]
    if finite.size == 0:
        return np.asarray(floor, dtype=float)
    ratio = range_ratio(
        min(rows, 30), quiet_share=settings.quiet_share, keep_share=settings.keep_share
    )
    quiet = _quiet_range(spread, level, settings.quiet_share)
    return np.asarray(np.clip(quiet * ratio, floor, ceiling))


def _quiet_range(spread: Floats, level: Floats | None, share: float) -> Floats | float:
    """Range that windows at rest have: a constant, or a share of the level where that is more."""
    known = np.isfinite(spread)
    constant = float(np.quantile(spread[known], share))
    if level is None:
        return constant
    known &= level > 0
    if not known.any():
        return constant
    relative = float(np.quantile(spread[known] / level[known], share))
    return np.maximum(constant, relative * level)


def without_spikes(values: Floats) -> Floats:
    """Replace single wild values by the median of three; a lone spike is no move."""
    return np.asarray(ndimage.median_filter(values, size=3, mode="nearest"))


def is_steady(line: pd.DataFrame, *, interval_s: float, settings: SteadySettings) -> Mask:
    """Tell which samples lie in a window over which speed and load were at rest.

    Parameters
    ----------
    line
        Samples on the common time line with ``time_s``, ``rpm`` and ``load``.
    interval_s
        Median time between rows. [s]
    settings
        Window and bands.

    Returns
    -------
    numpy.ndarray
        True where usable, shape (n,). A sample is steady when some whole window around it is.
    """
    n = len(line)
    rows = window_rows(interval_s, settings) if n > 1 else n + 1
    if n < rows:
        return np.zeros(n, dtype=bool)
    time_s = line["time_s"].to_numpy(dtype=float)
    max_gap_s = max(settings.max_gap_s, 3.0 * interval_s)
    pause = np.concatenate([[0.0], np.diff(time_s)]) > max_gap_s
    bad = pause | ~np.isfinite(line[["rpm", "load"]].to_numpy(dtype=float)).all(axis=1)
    holes = np.concatenate([[0], np.cumsum(bad)])
    # the window's first row may follow a pause; its other rows may not
    usable = (
        (holes[rows:] - holes[1 : n - rows + 2] == 0)
        & np.isfinite(line["rpm"].to_numpy(dtype=float)[: n - rows + 1])
        & np.isfinite(line["load"].to_numpy(dtype=float)[: n - rows + 1])
    )
    passed = usable.copy()
    for name in ("rpm", "load"):
        values = line[name].to_numpy(dtype=float)
        filled = without_spikes(np.where(np.isfinite(values), values, 0.0))
        spread = np.where(usable, rolling_range(filled, rows), np.nan)
        floor, ceiling = _bands(name, filled, values, rows, settings)
        level = filled[: len(spread)]
        band = band_width(
            spread, level=level, floor=floor, ceiling=ceiling, rows=rows, settings=settings
        )
        passed &= np.where(usable, spread, np.inf) <= band
    return _cover(passed, rows, n)


def _bands(
    name: str, filled: Floats, values: Floats, rows: int, settings: SteadySettings
) -> tuple[Floats, Floats]:
    if name == "rpm":
        middle = np.abs(filled[: len(filled) - rows + 1])
        return (
            np.maximum(middle * settings.rpm_band_pct / 100.0, settings.rpm_band_floor),
            np.maximum(middle * settings.rpm_band_limit_pct / 100.0, settings.rpm_band_floor),
        )
    known = values[np.isfinite(values)]
    low, usual, high = np.quantile(known, [0.01, 0.5, 0.99]) if known.size else (0.0, 0.0, 0.0)
    # holds that all stand at one load leave no range but their noise; then the level counts
    working = np.full(len(filled) - rows + 1, max(high - low, abs(usual)))
    return working * settings.load_band_pct / 100.0, working * settings.load_band_limit_pct / 100.0


def _cover(passed: Mask, rows: int, n: int) -> Mask:
    """Mark every sample of each window that passed."""
    edges = np.zeros(n + 1, dtype=np.int64)
    starts = np.flatnonzero(passed)
    np.add.at(edges, starts, 1)
    np.add.at(edges, starts + rows, -1)
    return np.asarray(np.cumsum(edges)[:n] > 0)


def is_warm(line: pd.DataFrame, settings: SteadySettings) -> Mask | None:
    """Tell which samples were taken on a warm engine; None where no channel can tell.

    Parameters
    ----------
    line
        Samples, with ``coolant_temp_c`` or ``coolant_volts`` if logged.
    settings
        The two limits.

    Returns
    -------
    numpy.ndarray or None
        True where warm. A temperature goes before a voltage.
    """
    if "coolant_temp_c" in line and bool(line["coolant_temp_c"].notna().any()):
        return np.asarray(line["coolant_temp_c"].to_numpy(dtype=float) >= settings.min_coolant_c)
    if "coolant_volts" in line and bool(line["coolant_volts"].notna().any()):
        volts = line["coolant_volts"].to_numpy(dtype=float)
        return np.asarray((volts <= settings.max_coolant_volts) & (volts > 0))
    return None


def sensor_stops(lam: Floats, settings: SteadySettings) -> tuple[float, float]:
    """Find the richest and the leanest reading that the sensor can give.

    Parameters
    ----------
    lam
        Lambda as logged, shape (n,). [lambda]
    settings
        Stops given by hand go first.

    Returns
    -------
    richest, leanest
        The stops; 0 and infinity where the log shows none. [lambda]
    """
    finite = lam[np.isfinite(lam)]
    richest, leanest = settings.sensor_richest_lambda, settings.sensor_leanest_lambda
    if finite.size == 0:
        return richest or 0.0, leanest or np.inf
    low, high = float(finite.min()), float(finite.max())
    if leanest is None:
        found = high >= settings.stop_above_lambda and _piles_up(lam, high, settings)
        leanest = high if found else np.inf
    if richest is None:
        found = low <= settings.stop_below_lambda and _piles_up(lam, low, settings)
        richest = low if found else 0.0
    return richest, leanest


def _piles_up(lam: Floats, extreme: float, settings: SteadySettings) -> bool:
    """Whether the reading stays at its extreme for a run of samples."""
    at_stop = np.abs(lam - extreme) <= settings.stop_width * extreme
    runs, count = ndimage.label(at_stop)
    return bool(count) and int(np.bincount(runs.ravel())[1:].max()) >= settings.stop_run_samples


def is_fuelled(
    line: pd.DataFrame, *, target: Floats, settings: SteadySettings, ignition: Ignition = "spark"
) -> Mask:
    """Tell which samples are not in an overrun fuel cut.

    Parameters
    ----------
    line
        Samples with ``lambda`` and, if logged, ``throttle_pct`` or ``pedal_pct``.
    target
        Wanted lambda at each sample. [lambda]
    settings
        Thresholds.
    ignition
        A diesel burns lean all day, so that its reading alone never tells a cut.

    Returns
    -------
    numpy.ndarray
        True where fuel was being burned as far as can be told. Without a throttle or pedal
        nothing but the reading itself can tell, so that only a very lean one counts as a cut.
    """
    if "lambda" not in line:
        return np.ones(len(line), dtype=bool)
    lam = line["lambda"].to_numpy(dtype=float)
    drivers = (c for c in ("pedal_pct", "throttle_pct") if c in line and line[c].notna().any())
    driver = next(drivers, None)
    if driver is None and ignition == "compression":
        return np.ones(len(line), dtype=bool)
    if driver is None:
        return ~(lam > settings.fuel_cut_lambda_ratio * target)
    is_closed = ~(line[driver].to_numpy(dtype=float) > settings.overrun_throttle_pct)
    return ~(is_closed & (lam > settings.overrun_lambda_ratio * target))
