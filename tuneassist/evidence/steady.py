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

from collections.abc import Container
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from tuneassist.grid import Floats
from tuneassist.settings import Ignition, SteadySettings

#: Columns that tell whether the engine is warm, and what the driver wishes; the first there counts.
WARMTH = ("coolant_temp_c", "coolant_volts", "oil_temp_c")
DRIVERS = ("pedal_pct", "throttle_pct")

Mask = npt.NDArray[np.bool_]


USUAL_SHARES = (0.2, 0.999)
"""Shares for which `USUAL_RATIOS` holds: the settings' defaults."""
USUAL_RATIOS = (
    12.98821534078509, 5.625484309579952, 4.1292070529097655, 3.48519813168732, 3.121860480613889,
    2.885878913154931, 2.718797515979415, 2.593406118254731, 2.4952781185156607,
    2.4160269801691383, 2.3504305784910016, 2.295059126393788, 2.2475619881800086,
    2.2062710508927035, 2.1699677183284254, 2.1377396731524976, 2.1088893926848655,
    2.0828737804099426, 2.0592631902678358, 2.037712920423309, 2.0179429469340744,
    1.999723235387828, 1.9828629104876603, 1.9672021457745217, 1.9526060047742881,
    1.9389597042435767, 1.9261649286800648, 1.914136932174833, 1.9028022370480766,
)  # fmt: skip
"""`range_ratio` of 2, 3, ... 30 values, from scipy's studentized range with infinite degrees of
freedom; a test holds them against it. Importing that takes longer than a log does. [1]"""


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
    if (quiet_share, keep_share) == USUAL_SHARES and 2 <= n < 2 + len(USUAL_RATIOS):
        return USUAL_RATIOS[n - 2]
    from scipy import stats  # slow to import, and seldom needed

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
    return np.asarray(_windows(values, rows, np.maximum) - _windows(values, rows, np.minimum))


def rolling_mean(values: Floats, rows: int) -> Floats:
    """Mean of each window of ``rows`` samples, by the window's first row; shape (n-rows+1,).

    Summed in an order that hangs on the window alone, so that it is the same to the last bit
    wherever a long log is cut.
    """
    if len(values) < rows:
        return np.empty(0)
    count = len(values) - rows + 1
    total, done, part, width = np.zeros(count), 0, values, 1
    while done < rows:
        if rows & width:
            total = total + part[done : done + count]
            done += width
        if done < rows:
            part = part[:-width] + part[width:]
            width *= 2
    return np.asarray(total / rows)


def all_of(is_true: Mask, rows: int) -> Mask:
    """Tell which windows of ``rows`` samples hold nothing but true ones, by their first row."""
    return np.asarray(_windows(is_true, rows, np.logical_and))


def _windows(values: npt.NDArray[Any], rows: int, pick: np.ufunc) -> npt.NDArray[Any]:
    """Highest (or lowest) value of every window, from windows of 1, 2, 4, ... samples."""
    found, width = values, 1
    while 2 * width <= rows:
        found = pick(found[:-width], found[width:])
        width *= 2
    rest = rows - width  # two overlapping windows cover what is left
    return np.asarray(pick(found[: len(found) - rest], found[rest:])) if rest else found


@dataclass(frozen=True)
class Quiet:
    """Range that one channel's windows have at rest.

    Parameters
    ----------
    constant
        However high the channel reads; nan without a usable window. [channel unit]
    relative
        As a share of its level, where that is more; nan where no level is above zero. [1]
    """

    constant: float
    relative: float

    def at(self, level: Floats) -> Floats | float:
        """Range at rest of windows at these levels. [channel unit]"""
        if np.isnan(self.relative):
            return self.constant
        return np.maximum(self.constant, self.relative * level)


@dataclass(frozen=True)
class Bands:
    """What a log's own windows tell about its noise.

    Parameters
    ----------
    rpm, load
        Range at rest of both channels.
    working_load
        Working range of load, from which its bands are taken. [load unit]
    """

    rpm: Quiet
    load: Quiet
    working_load: float


def band_width(
    spread: Floats,
    *,
    level: Floats | None = None,
    floor: Floats | float,
    ceiling: Floats | float,
    rows: int,
    settings: SteadySettings,
    quiet: Quiet | None = None,
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
    quiet
        Range at rest where it is known; None finds it in the windows.

    Returns
    -------
    numpy.ndarray
        The floor, or what the log's own noise asks for, at most the ceiling. [channel unit]
    """
    quiet = _quiet_range(spread, level, settings.quiet_share) if quiet is None else quiet
    if np.isnan(quiet.constant):
        return np.asarray(floor, dtype=float)
    ratio = range_ratio(
        min(rows, 30), quiet_share=settings.quiet_share, keep_share=settings.keep_share
    )
    width = quiet.constant if level is None else quiet.at(level)
    return np.asarray(np.clip(width * ratio, floor, ceiling))


def _quiet_range(spread: Floats, level: Floats | None, share: float) -> Quiet:
    """Range that windows at rest have: a constant, or a share of the level where that is more."""
    known = np.isfinite(spread)
    if not known.any():
        return Quiet(float("nan"), float("nan"))
    constant = float(np.quantile(spread[known], share))
    if level is None:
        return Quiet(constant, float("nan"))
    known &= level > 0
    if not known.any():
        return Quiet(constant, float("nan"))
    return Quiet(constant, float(np.quantile(spread[known] / level[known], share)))


def without_spikes(values: Floats) -> Floats:
    """Replace single wild values by the median of three; a lone spike is no move."""
    if len(values) < 2:
        return values.copy()
    out = np.empty_like(values)
    before, here, after = values[:-2], values[1:-1], values[2:]
    low, high = np.minimum(before, here), np.maximum(before, here)
    out[1:-1] = np.maximum(low, np.minimum(high, after))
    out[0], out[-1] = values[0], values[-1]  # its own value stands twice at an end
    return out


@dataclass(frozen=True, eq=False)
class Rest:
    """Where speed and load are at rest, and which neighbours rest at one place.

    Parameters
    ----------
    is_steady
        Samples in a window that passed, shape (n,).
    is_joined
        Samples that share such a window with the one before, shape (n,): two places at rest with a
        step between them have none in common.
    bands
        Noise in force; None for a log shorter than a window.
    """

    is_steady: Mask
    is_joined: Mask
    bands: Bands | None


def find_rest(
    time_s: Floats,
    rpm: Floats,
    load: Floats,
    *,
    interval_s: float,
    settings: SteadySettings,
    bands: Bands | None = None,
) -> Rest:
    """Tell which samples lie in a window over which speed and load were at rest.

    Parameters
    ----------
    time_s, rpm, load
        The common time line, shape (n,). [s], [rpm], [load unit]
    interval_s
        Median time between rows. [s]
    settings
        Window and bands.
    bands
        What an earlier part of the log has shown of its noise; None finds it in this one.
    """
    n = len(time_s)
    rows = window_rows(interval_s, settings) if n > 1 else n + 1
    if n < rows:
        return Rest(np.zeros(n, dtype=bool), np.zeros(n, dtype=bool), bands)
    max_gap_s = max(settings.max_gap_s, 3.0 * interval_s)
    pause = np.concatenate([[0.0], np.diff(time_s)]) > max_gap_s
    is_known = np.isfinite(rpm) & np.isfinite(load)
    usable = _unbroken(pause | ~is_known, is_known, rows)
    passed = usable.copy()
    found: dict[str, Quiet] = {}
    working = _working_load(load) if bands is None else bands.working_load
    for name, values in (("rpm", rpm), ("load", load)):
        filled = without_spikes(values if is_known.all() else _zeroed(values))
        ranges = rolling_range(filled, rows)
        spread = ranges if bands is not None else np.where(usable, ranges, np.nan)
        level = filled[: len(spread)]
        known = None if bands is None else (bands.rpm if name == "rpm" else bands.load)
        found[name] = known or _quiet_range(spread, level, settings.quiet_share)
        floor, ceiling = _bands(name, level, working, settings)
        band = band_width(
            spread,
            level=level,
            floor=floor,
            ceiling=ceiling,
            rows=rows,
            settings=settings,
            quiet=found[name],
        )
        passed &= ranges <= band
    bands = bands or Bands(found["rpm"], found["load"], working)
    return Rest(cover(passed, rows), cover_pairs(passed, rows), bands)


def _zeroed(values: Floats) -> Floats:
    return np.where(np.isfinite(values), values, 0.0)


def _unbroken(bad: Mask, is_known: Mask, rows: int) -> Mask:
    """Windows without a bad row; the window's first row may follow a pause, its others may not."""
    count = len(bad) - rows + 1
    usable = is_known[:count].copy()
    if not bad.any():
        return usable
    holes = np.concatenate([[0], np.cumsum(bad)])
    return np.asarray(usable & (holes[rows:] - holes[1 : count + 1] == 0))


def _bands(
    name: str, level: Floats, working: float, settings: SteadySettings
) -> tuple[Floats | float, Floats | float]:
    if name == "rpm":
        middle = np.abs(level)
        return (
            np.maximum(middle * settings.rpm_band_pct / 100.0, settings.rpm_band_floor),
            np.maximum(middle * settings.rpm_band_limit_pct / 100.0, settings.rpm_band_floor),
        )
    return working * settings.load_band_pct / 100.0, working * settings.load_band_limit_pct / 100.0


def load_band(bands: Bands, settings: SteadySettings) -> float:
    """Range of load that always passes. [load unit]"""
    return bands.working_load * settings.load_band_pct / 100.0


def _working_load(load: Floats) -> float:
    """Return the range over which load works."""
    known = load[np.isfinite(load)]
    low, usual, high = np.quantile(known, [0.01, 0.5, 0.99]) if known.size else (0.0, 0.0, 0.0)
    # holds that all stand at one load leave no range but their noise; then the level counts
    return float(max(high - low, abs(usual)))


def cover(passed: Mask, rows: int) -> Mask:
    """Mark every sample of each window that passed, by the windows' first rows."""
    around = np.concatenate(
        [np.zeros(rows - 1, dtype=bool), passed, np.zeros(rows - 1, dtype=bool)]
    )
    return np.asarray(_windows(around, rows, np.logical_or))


def cover_pairs(passed: Mask, rows: int) -> Mask:
    """Mark every sample that stands with the one before in a window that passed.

    Examples
    --------
    Windows of two samples, of which the first and the last pass: four samples, two pairs.

    >>> cover_pairs(np.array([True, False, True]), 2)
    array([False,  True, False,  True])
    """
    return np.concatenate([[False], cover(passed, rows - 1)])


def is_warm(name: str, values: Floats, settings: SteadySettings) -> Mask:
    """Tell where a column of `WARMTH` says that the engine is warm; nan is not warm."""
    if name == "coolant_temp_c":
        return np.asarray(values >= settings.min_coolant_c)
    if name == "oil_temp_c":
        return np.asarray(values >= settings.min_oil_c)
    return np.asarray((values <= settings.max_coolant_volts) & (values > 0))


def warm_by_clock(time_s: Floats, start_s: float, settings: SteadySettings) -> Mask:
    """Tell which samples are late enough to be warm where no channel shows it.

    Parameters
    ----------
    time_s
        Times, shape (n,). [s]
    start_s
        When the log begins. [s]
    settings
        Gives the time that is waited for.
    """
    return np.asarray(time_s >= start_s + settings.unproven_warm_s)


def warmth_of(line: Container[str]) -> str | None:
    """Name the column that tells whether the engine is warm; a temperature before a voltage.

    A column that is there counts, though it be blank here: in a long log it speaks later, and until
    then nobody knows that the engine is warm.
    """
    return next((name for name in WARMTH if name in line), None)


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


def is_cut(
    lam: Floats,
    driver: Floats | None,
    *,
    target: Floats | float,
    settings: SteadySettings,
    ignition: Ignition = "spark",
) -> Mask:
    """Tell which samples are in an overrun fuel cut, by lambda and the driver's wish.

    Parameters
    ----------
    lam
        Lambda, shape (n,). [lambda]
    driver
        Pedal or throttle, shape (n,), None where neither was logged. [%]
    target
        Wanted lambda. [lambda]
    settings
        Thresholds.
    ignition
        A diesel burns lean all day, so that its reading alone never tells a cut.

    Returns
    -------
    numpy.ndarray
        True where no fuel was burned as far as can be told. Without a throttle or pedal nothing
        but the reading itself can tell, so that only a very lean one counts as a cut.
    """
    if driver is None and ignition == "compression":
        return np.zeros(len(lam), dtype=bool)
    if driver is None:
        return np.asarray(lam > settings.fuel_cut_lambda_ratio * target)
    is_closed = ~(driver > settings.overrun_throttle_pct)
    return np.asarray(is_closed & (lam > settings.overrun_lambda_ratio * target))


def driver_of(line: Container[str]) -> str | None:
    """Name the column of the driver's wish, the pedal before the throttle; None without one."""
    return next((name for name in DRIVERS if name in line), None)
