"""What is found out about a log in its first part, and held to in the rest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.channels import load_offset
from tuneassist.evidence.delay import SensorDelay, align, estimate_delay, known_delay
from tuneassist.evidence.holds import HoldNoise, Settling, find_settling, reduce_stretches
from tuneassist.evidence.lattice import LatticeFit
from tuneassist.evidence.map_fit import fit_holds
from tuneassist.evidence.need import TRIM_COLUMNS, from_surface_scale
from tuneassist.evidence.refresh import carried_forward, find_refresh, on_time_line
from tuneassist.evidence.side_channels import EXCLUDED_BY
from tuneassist.evidence.steady import driver_of, sensor_stops, warmth_of
from tuneassist.filters import (
    Filtered,
    filter_places,
    longest_gap_s,
    need_at,
    stretches_of,
    with_lambda,
    with_lambda_in_place,
)
from tuneassist.grid import Floats, bilinear_weights
from tuneassist.one_log import LogNature
from tuneassist.settings import Setup, SteadySettings

Mask = npt.NDArray[np.bool_]


#: With fewer holds than this the surface ahead of the delay takes moving samples as well. [1]
FIRST_SURFACE_HOLDS = 20
#: They are averaged over this time, and taken for as exact as this. [s], [ln]
MEAN_S, MEAN_SE = 1.0, 0.03


def characterise(first: pd.DataFrame, *, setup: Setup, delay_rows: int | None = None) -> LogNature:
    """Find out about a log what its reduction needs to know.

    Parameters
    ----------
    first
        The log's first part, or all of it, in inside units (see `tuneassist.channels`).
    setup
        Axes, target and thresholds.
    delay_rows
        Rows from which the delay is estimated, the first that are warm; None: all. [rows]
    """
    nature = _sampling(first, setup)
    raw = as_columns(first, nature)
    raw.update({name: carried_forward(raw[name]) for name in nature.others})
    _, line = on_time_line(raw, nature.refresh, nature.reaches_s)
    nature = replace(nature, start_s=float(line["time_s"][0]) if len(line["time_s"]) else 0.0)
    rows = filter_places(line, nature=nature, setup=setup)
    nature = replace(nature, bands=rows.standing.bands)
    nature = replace(nature, delay=_delay(_first_warm(rows, delay_rows), nature, setup))
    rows = with_lambda_in_place(rows, nature=nature, setup=setup)
    settling, noise = _settling(rows, nature, setup)
    return replace(nature, settling=settling, noise=noise)


def as_columns(samples: pd.DataFrame, nature: LogNature) -> dict[str, Floats]:
    """Return the columns that the reduction asks as arrays, blank where a part lacks one."""
    return {
        name: samples[name].to_numpy(dtype=float)
        if name in samples
        else np.full(len(samples), np.nan)
        for name in ("time_s", *nature.refresh.rows, *nature.others)
    }


def _sampling(first: pd.DataFrame, setup: Setup) -> LogNature:
    """Find out what the columns alone tell; the rest is as the settings have it."""
    settings = setup.steady
    main = ("rpm", "load", "lambda") if "lambda" in first else ("rpm", "load")
    columns = {name: first[name].to_numpy(dtype=float) for name in ("time_s", *main)}
    refresh, reaches = find_refresh(columns, max_gap_s=settings.max_gap_s)
    warmth, driver = warmth_of(first), driver_of(first)
    others = (warmth, driver, *(c for c in (*TRIM_COLUMNS, *EXCLUDED_BY.values()) if c in first))
    return LogNature(
        refresh=refresh,
        reaches_s=reaches,
        others=tuple(dict.fromkeys(c for c in others if c is not None)),
        stops=sensor_stops(columns["lambda"], settings) if "lambda" in first else (0.0, np.inf),
        delay=known_delay(settings, why="not looked for yet"),
        settling=Settling(settings.default_settle_s, "default", "not looked for yet"),
        warmth=warmth,
        driver=driver,
    )


def _first_warm(rows: Filtered, count: int | None) -> Filtered:
    """Return so many rows from the first warm one on; all for None."""
    if count is None:
        return rows
    is_warm = rows.masks["engine cold"]
    start = int(np.argmax(is_warm)) if is_warm.any() else 0
    return rows.at(slice(start, start + count))


def _settling(rows: Filtered, nature: LogNature, setup: Setup) -> tuple[Settling, HoldNoise | None]:
    """Find out how long lambda settles, and how the samples of holds scatter."""
    settings, interval_s = setup.steady, nature.refresh.interval_s
    line = stretches_of(rows, nature=nature, setup=setup)
    settling = find_settling(
        line.need_ln,
        line.stretch,
        line.time_s,
        lag_s=nature.delay.lag_s,
        interval_s=interval_s,
        settings=settings,
    )
    _, _, noise = reduce_stretches(
        line, settle_s=settling.settle_s, interval_s=interval_s, settings=settings
    )
    return settling, noise


def _delay(rows: Filtered, nature: LogNature, setup: Setup) -> SensorDelay:
    """Estimate the delay against a first surface from holds with generous settling."""
    settings, line = setup.steady, rows.line
    if "lambda" not in line:
        return known_delay(settings, why="no lambda channel")
    if settings.lambda_delay_s is not None:
        return known_delay(settings, why="given by the setup", source="setup")
    rows = with_lambda(rows, line["lambda"], nature=nature, setup=setup)
    holds = _holds_ahead_of_delay(rows, nature, setup)
    if len(holds) < FIRST_SURFACE_HOLDS:
        holds = pd.concat([holds, _seconds_ahead_of_delay(rows, nature, setup)], ignore_index=True)
    fit = _first_surface(holds, setup)
    if fit is None:
        return known_delay(settings, why="no usable samples in the log")
    expected, stop = _expected_lambda_ln(rows, fit, nature, setup)
    is_value = rows.masks["fuel cut"] & (stop == 0) & (line["lambda"] > 0)
    return estimate_delay(
        line,
        surface=expected,
        is_usable=is_value & rows.masks["engine cold"],
        settings=settings,
        load_offset=load_offset(setup.axes, setup.limits.barometer_kpa),
    )


def _holds_ahead_of_delay(rows: Filtered, nature: LogNature, setup: Setup) -> pd.DataFrame:
    """Return holds that are long enough for a delay that is not known yet."""
    settings: SteadySettings = setup.steady
    holds, _, _ = reduce_stretches(
        stretches_of(rows, nature=nature, setup=setup),
        settle_s=settings.default_settle_s + settings.default_delay_s,
        interval_s=nature.refresh.interval_s,
        settings=settings,
    )
    return holds[holds["stop"].eq("")]


def _seconds_ahead_of_delay(rows: Filtered, nature: LogNature, setup: Setup) -> pd.DataFrame:
    """Return means over short times of moving samples, lambda read after the default delay.

    They are poor readings, for each move leaves its error in them; it averages out over many moves
    up and down.
    """
    settings, line = setup.steady, rows.line
    late = align(
        line["time_s"],
        line["rpm"],
        line["load"],
        line["lambda"],
        known_delay(settings, why=""),
        max_gap_s=longest_gap_s(nature.refresh, settings),
    )
    _, need, stop = need_at(line, slice(None), late, nature=nature, setup=setup)
    at = np.flatnonzero(rows.is_usable_moving & np.isfinite(need) & (stop == 0))
    frame = pd.DataFrame({name: line[name][at] for name in ("time_s", "rpm", "load")})
    frame["need_ln"] = need[at]
    means = frame.groupby(np.floor(frame["time_s"] / MEAN_S)).mean()
    return means.assign(within_se=MEAN_SE, stop="")


def _first_surface(holds: pd.DataFrame, setup: Setup) -> LatticeFit | None:
    """Fit one log's own surface, of which only the values are asked."""
    weights = bilinear_weights(setup.axes, holds["rpm"], holds["load"])
    if holds.empty:
        return None
    index, used = np.zeros(len(holds), dtype=np.int64), np.ones(len(holds), dtype=bool)
    named = holds.rename(columns={"need_ln": "total_need_ln"})
    return fit_holds(setup, named, weights, index, used, robust=False, is_draft=True)


def _expected_lambda_ln(
    rows: Filtered, fit: LatticeFit, nature: LogNature, setup: Setup
) -> tuple[Floats, npt.NDArray[np.int8]]:
    """What the surface expects of lambda at each row, with the trims then at work; and stops."""
    line, lam = rows.line, rows.line["lambda"]
    target, needed, stop = need_at(line, slice(None), lam, nature=nature, setup=setup)
    rpm, load = (
        pd.Series(line[name]).interpolate(limit_direction="both").to_numpy(dtype=float)
        for name in ("rpm", "load")
    )
    trims = needed - np.log(np.where(lam > 0, lam, np.nan) / target)
    surface = bilinear_weights(setup.axes, rpm, load) @ fit.theta
    need = from_surface_scale(surface, setup.target.kind)
    return np.asarray(need + np.log(target) - np.where(np.isnan(trims), 0.0, trims)), stop
