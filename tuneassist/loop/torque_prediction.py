"""Full load of a tune without a run, predicted between the runs of a milder and a stronger tune.

Where a tune's grid stands between the grids of two tunes at the place of full load, by the share
s = ln(g/g0) / ln(g1/g0) of their corrections, its torque is taken to stand between theirs:
T = T0 + s (T1 - T0). Heat and boost likewise. Valid only between the two runs, at speeds that
both cover, in the same air or corrected to the same standard; nothing is extrapolated.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tuneassist.channels import is_gauge_axis, load_offset
from tuneassist.correction.cell_readings import axis_pressure_kpa
from tuneassist.grid import Axes, Floats, Grid
from tuneassist.loop.derive_settings import DeriveSettings
from tuneassist.loop.settings import TuneSettings
from tuneassist.loop.tune_model import Tune, channel_curve, torque_curve
from tuneassist.loop.tune_run_checks import BY_HEADERS, air_between
from tuneassist.runs import RunSettings
from tuneassist.units import convert, unit_named

READINGS = ("exhaust_temp_c", "boost_kpa")
"""Columns of a run, besides torque, that are predicted."""
NOTHING_PCT = 0.05
"""Corrections that differ by less than this are alike, and tell no share: half of a usual
controller's resolution. [%]"""
OUTSIDE = 0.02
"""A share may lie so far outside 0 to 1, by rounding to the controller's resolution. [1]"""
PLACES = 9
"""Places looked at between the lowest and the highest load that full load may be at. [1]"""


@dataclass(frozen=True, eq=False)
class TwoRuns:
    """Full-load runs of a milder and a stronger tune at the speeds that both cover.

    Parameters
    ----------
    milder, stronger
        The tunes.
    rpm
        Speeds, multiples of the step. [rpm]
    torque, half_width
        Of the milder and of the stronger run, and half of the 95 % interval of each. [N.m]
    readings
        Column to its values in both runs; nan where a run has none. [degC], [kPa]
    load
        Lowest and highest load that full load may be at, shape (2, speeds). [load unit]
    is_load_known
        Whether both runs tell that load.
    words
        Where the runs come from: as measured in the same air, or corrected.
    """

    milder: Tune
    stronger: Tune
    rpm: Floats
    torque: tuple[Floats, Floats]
    half_width: tuple[Floats, Floats]
    readings: Mapping[str, tuple[Floats, Floats]]
    load: Floats
    is_load_known: bool
    words: str


def two_runs(
    milder: Tune,
    stronger: Tune,
    *,
    rules: TuneSettings,
    runs: RunSettings,
    settings: DeriveSettings,
) -> TwoRuns | str:
    """Lay two runs side by side.

    Parameters
    ----------
    milder, stronger
        Tunes with the same breakpoints.
    rules
        Spacing of the speeds, longest gap, and the brake's error where a run was made once.
    runs
        How far the air may differ.
    settings
        From which load on full load may be, where the runs do not tell.

    Returns
    -------
    TwoRuns or str
        Why they cannot be used, in words, else both on common speeds.
    """
    missing = [tune.name for tune in (milder, stronger) if tune.run is None]
    if missing:
        return f"there is no full-load run of {' and none of '.join(missing)}"
    if why := air_between(milder, stronger, runs):
        return why.rstrip(".")
    curves = [torque_curve(tune.run, rules) for tune in (milder, stronger) if tune.run is not None]
    table = pd.concat(curves, axis=1, keys=["milder", "stronger"]).dropna()
    rpm = table.index.to_numpy(dtype=float)
    if len(rpm) == 0 or np.ptp(rpm) < rules.least_span_rpm:
        return f"the runs of {milder.name} and {stronger.name} share too few speeds"
    torque = table["milder"].to_numpy(), table["stronger"].to_numpy()
    load, is_known = _loads(milder, stronger, rpm, rules, settings)
    return TwoRuns(
        milder, stronger, rpm, torque,
        (_half_width(milder, rpm, torque[0], rules), _half_width(stronger, rpm, torque[1], rules)),
        {name: (_on(milder, name, rpm, rules), _on(stronger, name, rpm, rules))
         for name in READINGS},
        load, is_known, _air_words(milder),
    )  # fmt: skip


def _air_words(tune: Tune) -> str:
    return f"corrected to {tune.standard}" if tune.standard else "as measured, in the same air"


def _on(tune: Tune, column: str, rpm: Floats, rules: TuneSettings) -> Floats:
    """Return a column of a tune's run at speeds; nan where it has none."""
    if tune.run is None:
        return np.full(len(rpm), np.nan)
    curve = channel_curve(tune.run, column, rules)
    return np.asarray(curve.reindex(rpm).to_numpy(dtype=float))


def _half_width(tune: Tune, rpm: Floats, torque: Floats, rules: TuneSettings) -> Floats:
    """Half of the interval over a run's repeats, or the brake's error where it was made once."""
    apart = _on(tune, "torque_high_nm", rpm, rules) - _on(tune, "torque_low_nm", rpm, rules)
    once = rules.sure_rise_pct / 100.0 * torque
    return np.where(np.isfinite(apart), apart / 2.0, once)


def _loads(
    milder: Tune, stronger: Tune, rpm: Floats, rules: TuneSettings, settings: DeriveSettings
) -> tuple[Floats, bool]:
    """Lowest and highest load of both at full load; all that may be, where one does not tell."""
    axes = stronger.setup.axes
    seen = np.array([_full_load(tune, rpm, rules) for tune in (milder, stronger)])
    low, high = np.min(seen, axis=0), np.max(seen, axis=0)
    is_known = np.isfinite(low) & np.isfinite(high)
    scale = load_scale(axes, stronger.setup.limits.barometer_kpa)
    may_be = axes.load[scale > settings.cruise_below_share]
    ends = np.array([np.where(is_known, low, may_be[0]), np.where(is_known, high, may_be[-1])])
    return ends, bool(is_known.all())


def load_scale(axes: Axes, barometer_kpa: float) -> Floats:
    """Load breakpoints as a share of the highest; a gauge axis counts from vacuum. [1]"""
    whole = axes.load + load_offset(axes, barometer_kpa)
    return np.asarray(whole / whole[-1])


def _full_load(tune: Tune, rpm: Floats, rules: TuneSettings) -> Floats:
    """Load at full load by the run: as logged, or from boost on a pressure axis; nan unknown."""
    axes = tune.setup.axes
    found = np.full(len(rpm), np.nan)
    samples = [pull.samples for pull in tune.pulls if "load" in pull.samples]
    if samples and BY_HEADERS not in tune.run_words:
        logged = channel_curve(pd.concat(samples, ignore_index=True), "load", rules)
        found = logged.reindex(rpm).to_numpy(dtype=float)
    elif axis_pressure_kpa(axes, np.full(axes.size, 100.0)) is not None:
        found = _load_of_boost(tune, rpm, rules)
    is_inside = (found >= axes.load[0]) & (found <= axes.load[-1] + np.diff(axes.load)[-1])
    return np.where(is_inside, np.minimum(found, axes.load[-1]), np.nan)


def _load_of_boost(tune: Tune, rpm: Floats, rules: TuneSettings) -> Floats:
    axes = tune.setup.axes
    pressure = _on(tune, "boost_kpa", rpm, rules)
    if not is_gauge_axis(axes):
        barometer = _on(tune, "barometer_kpa", rpm, rules)
        pressure = pressure + np.where(
            np.isfinite(barometer), barometer, tune.setup.limits.barometer_kpa
        )
    return np.asarray(convert(pressure, "kPa", unit_named(axes.load_unit).word), dtype=float)


def shares_between(grid: Grid, low: Grid, high: Grid, rpm: Floats, load: Floats) -> Floats:
    """Share of the way from one grid to another, in logarithms, as the controller looks them up.

    Returns
    -------
    numpy.ndarray
        nan where the two are alike, infinite where the grid lies outside them. [1]
    """
    own, start, end = (
        np.log1p(Grid(one.axes, np.nan_to_num(one.values)).at(rpm, load) / 100.0)
        for one in (grid, low, high)
    )
    way = end - start
    is_told = np.abs(way) >= NOTHING_PCT / 100.0
    share = (own - start) / np.where(is_told, way, 1.0)
    is_inside = (share >= -OUTSIDE) & (share <= 1.0 + OUTSIDE)
    found = np.where(is_inside, np.clip(share, 0.0, 1.0), np.inf)
    return np.where(is_told, found, np.nan)


def predict_run(grid: Grid, two: TwoRuns, settings: DeriveSettings) -> pd.DataFrame:
    """Predict the full-load run of a grid that lies between those of two tunes.

    Parameters
    ----------
    grid
        The tune's grid.
    two
        The runs on either side.
    settings
        How far torque may leave the straight line between them.

    Returns
    -------
    pandas.DataFrame
        One row per speed: ``rpm, share, share_low, share_high, torque_nm, torque_low_nm,
        torque_high_nm``, and for each of `READINGS` its prediction and ``*_high``, its upper end.
        Where no share can be told at a speed, the row is nan.
    """
    low, mid, high = _shares_at_full_load(grid, two)
    torque = [torque_band(two, share, settings) for share in (low, mid, high)]
    columns = {
        "rpm": two.rpm, "share": mid, "share_low": low, "share_high": high,
        "torque_nm": torque[1][1],
        "torque_low_nm": np.minimum(torque[0][0], torque[2][0]),
        "torque_high_nm": np.maximum(torque[0][2], torque[2][2]),
    }  # fmt: skip
    for name in READINGS:
        columns[name] = _along(two.readings[name], mid)
        ends = [reading_top(two, name, share, settings) for share in (low, high)]
        columns[f"{name}_high"] = np.maximum(*ends)
    return pd.DataFrame(columns)


def _shares_at_full_load(grid: Grid, two: TwoRuns) -> tuple[Floats, Floats, Floats]:
    """Smallest, mean and largest share over the places that full load may be at; nan untold.

    Places where the two grids are alike do not count: what made the difference is elsewhere.
    """
    spread = np.linspace(0.0, 1.0, PLACES)[:, None]
    load = two.load[0] + spread * (two.load[1] - two.load[0])
    rpm = np.broadcast_to(two.rpm, load.shape)
    shares = shares_between(
        grid, two.milder.grid, two.stronger.grid, rpm.ravel(), load.ravel()
    ).reshape(load.shape)
    is_known = np.isfinite(shares)
    count = is_known.sum(axis=0)
    is_told = (count > 0) & ~np.isinf(shares).any(axis=0)
    low = np.where(is_known, shares, np.inf).min(axis=0)
    high = np.where(is_known, shares, -np.inf).max(axis=0)
    mean = np.where(is_known, shares, 0.0).sum(axis=0) / np.maximum(count, 1)
    low, mean, high = (np.where(is_told, value, np.nan) for value in (low, mean, high))
    return low, mean, high


def _along(ends: tuple[Floats, Floats], share: Floats) -> Floats:
    return np.asarray(ends[0] + share * (ends[1] - ends[0]))


def _off_line(ends: tuple[Floats, Floats], share: Floats, settings: DeriveSettings) -> Floats:
    """How far a reading may leave the straight line: most at half way, nothing at both ends."""
    whole = settings.curve_doubt_pct / 100.0 * np.abs(ends[1] - ends[0])
    return np.asarray(4.0 * share * (1.0 - share) * whole)


def torque_band(
    two: TwoRuns, share: Floats, settings: DeriveSettings
) -> tuple[Floats, Floats, Floats]:
    """Torque at a share of the correction, between the ends of its 95 % interval. [N.m]

    The runs' own intervals by their weights, and the doubt of the line between them; independent.
    """
    middle = _along(two.torque, share)
    parts = ((1.0 - share) * two.half_width[0], share * two.half_width[1])
    half = np.sqrt(parts[0] ** 2 + parts[1] ** 2 + _off_line(two.torque, share, settings) ** 2)
    return middle - half, middle, middle + half


def reading_top(two: TwoRuns, name: str, share: Floats, settings: DeriveSettings) -> Floats:
    """Upper end of a reading at a share of the correction; nan where a run does not have it."""
    ends = two.readings[name]
    return np.asarray(_along(ends, share) + _off_line(ends, share, settings))
