"""One log to its holds: what is found out about the log, and what becomes of every sample.

The stages of `tuneassist.evidence` in order, on a log that is held in memory. Longer logs go
through `tuneassist.reduction`, which finds out about the log here, in its first part.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from tuneassist.channels import CHANNELS, load_offset
from tuneassist.evidence.delay import SensorDelay, align, estimate_delay, known_delay
from tuneassist.evidence.driven import DrivenLoads
from tuneassist.evidence.heat import HEAT_COLUMN, HeatPeaks
from tuneassist.evidence.holds import (
    FATE_WORDS,
    SHARED_ERRORS,
    HoldNoise,
    Settling,
    Stretches,
    find_settling,
    number_stretches,
    reduce_stretches,
    reduce_to_holds,
    smooth_mask,
)
from tuneassist.evidence.influences import HIDING
from tuneassist.evidence.lattice import LatticeFit, fit_lattice
from tuneassist.evidence.need import (
    TRIM_COLUMNS,
    add_need,
    from_surface_scale,
    inside_axes,
    need_values,
    scatter_scale,
    surface_scale,
    target_at,
)
from tuneassist.evidence.passes import lambda_when_moving, long_after_cut, sum_passes
from tuneassist.evidence.refresh import Refresh, common_time_line, reaches_s, with_places
from tuneassist.evidence.steady import (
    Bands,
    driver_of,
    is_fuelled,
    is_warm,
    sensor_stops,
    warm_by_clock,
    warmth_of,
)
from tuneassist.evidence.travel import Standing, find_standing
from tuneassist.evidence.visits import channel_peaks
from tuneassist.grid import Floats, bilinear_weights
from tuneassist.settings import Setup, SteadySettings

Mask = npt.NDArray[np.bool_]

#: No hold is taken for more exact than this. [ln]
MIN_HOLD_SE = 1e-4

#: A tail that moves leave in the holds is told from this chance and this size on. [1], [%]
NOTED_CHANCE, NOTED_TAIL_PCT = 0.5, 0.1

#: What may become of a sample, in the order in which the filters take it.
FATES = (
    "no value",
    "engine cold",
    "other fuel",
    "closed loop",
    "load at its end",
    "fuel cut",
    "outside the table",
    "no target there",
    "moving",
    "sweeping",
    "settling",
    "short hold",
    "no lambda",
    "spike",
    "sensor at its stop",
    "used",
)


@dataclass(frozen=True, eq=False)
class LogEvidence:
    """What one log says.

    Parameters
    ----------
    name
        The log's name.
    holds
        One row per hold (see `tuneassist.evidence.holds.reduce_to_holds`), with ``log`` = name.
    fates
        Samples by what became of them, in the order of `FATES`; they add up to ``samples``.
    samples
        Samples looked at: rows, or renewed values where the logger repeats old ones.
    refresh, delay, settling
        What was found out about the log.
    stops
        Richest and leanest reading of the sensor; 0 and infinity where not seen. [lambda]
    peaks
        Highest values of the channels with ceilings, one row per cell.
    notes
        Sentences that a user should read.
    visits
        Samples nearest to each cell, moves and warm-up included, shape (cells,); None where they
        were not counted.
    passes
        Sums over the passes through each cell (see `tuneassist.evidence.passes.sum_passes`); None
        where they were not counted.
    driven
        Lowest and highest load by band of speed (see `tuneassist.evidence.driven.DrivenLoads`);
        None where they were not kept.
    """

    name: str
    holds: pd.DataFrame
    fates: pd.Series
    samples: int
    refresh: Refresh
    delay: SensorDelay
    settling: Settling
    stops: tuple[float, float]
    peaks: pd.DataFrame
    notes: tuple[str, ...] = ()
    visits: npt.NDArray[np.int64] | None = field(default=None, repr=False)
    passes: pd.DataFrame | None = field(default=None, repr=False)
    driven: pd.DataFrame | None = field(default=None, repr=False)


@dataclass(frozen=True, eq=False)
class LogNature:
    """What is found out about a log before it can be reduced.

    Parameters
    ----------
    refresh, reaches_s
        How often the main channels are renewed, and how far each is interpolated. [rows], [s]
    stops
        Richest and leanest reading of the sensor. [lambda]
    bands
        Noise of speed and load; None for a log shorter than a window.
    delay, settling
        How late lambda is, and how long it settles.
    noise
        Scatter within holds; None without a hold.
    warmth
        Column that tells whether the engine is warm; None where none does.
    driver
        Column of the driver's wish that tells an overrun; None where none does.
    start_s
        When the log begins. [s]
    """

    refresh: Refresh
    reaches_s: dict[str, float]
    stops: tuple[float, float]
    bands: Bands | None
    delay: SensorDelay
    settling: Settling
    noise: HoldNoise | None
    warmth: str | None
    driver: str | None
    start_s: float = 0.0


def reduce_whole(
    samples: pd.DataFrame, *, name: str, setup: Setup, delay_rows: int | None = None
) -> tuple[LogEvidence, LogNature]:
    """Reduce a log that is held in memory to holds.

    Parameters
    ----------
    samples
        One row per log row, in inside units (see `tuneassist.channels`).
    name
        The log's name, for messages.
    setup
        Axes, target and thresholds.
    delay_rows
        Rows from which the delay is estimated, the first that are warm; None: all. [rows]

    Returns
    -------
    LogEvidence, LogNature
        Holds and what became of every sample; and what was found out about the log.
    """
    settings = setup.steady
    line, refresh = common_time_line(
        samples, main=main_columns(samples), max_gap_s=settings.max_gap_s
    )
    rpm, load, time_s = (line[c].to_numpy(dtype=float) for c in ("rpm", "load", "time_s"))
    target = target_at(setup.axes, setup.target.table, rpm, load)
    stops, notes = _stops(samples, setup), list[str]()
    masks, standing = _position_masks(line, target, refresh, setup, notes)
    some = _warm_rows(masks["engine cold"], delay_rows)
    delay = _delay(
        line.iloc[some],
        target[some],
        stops,
        {name: mask[some] for name, mask in masks.items()},
        is_joined=standing.is_joined[some],
        refresh=refresh,
        setup=setup,
    )
    max_gap_s = max(settings.max_gap_s, 3.0 * refresh.interval_s)
    logged = line["lambda"].to_numpy(dtype=float) if "lambda" in line else None
    if "lambda" in line:
        line = line.assign(**{"lambda": align(line, delay, max_gap_s=max_gap_s)})
    else:
        notes.append(NO_LAMBDA)
    need, stop = _needs(line, target, stops, setup)
    masks["fuel cut"] = _is_fuelled(line, target, setup)
    usable = np.logical_and.reduce(list(masks.values()))
    stretch = number_stretches(usable, time_s, max_gap_s=max_gap_s, is_joined=standing.is_joined)
    settling = find_settling(need, stretch, time_s, lag_s=delay.lag_s, settings=settings)
    holds, fate, noise = reduce_stretches(
        Stretches(time_s, rpm, load, need, target, stop, stretch),
        settle_s=settling.settle_s,
        interval_s=refresh.interval_s,
        settings=settings,
    )
    notes += tail_notes(holds, noise)
    passes = sum_log_passes(
        {c: line[c].to_numpy(dtype=float) for c in ("time_s", "rpm", "load", *_trims(line))},
        logged,
        masks=masks,
        delay=delay,
        stops=stops,
        setup=setup,
    )
    placed = with_places(samples, max_gap_s=settings.max_gap_s)
    driven = DrivenLoads(setup.axes, margin_cells=settings.outside_margin_cells)
    driven.add_samples(placed, settings)
    found = LogEvidence(
        name=name,
        holds=holds.assign(log=name),
        fates=count_fates(masks, fate[usable]),
        samples=len(line),
        refresh=refresh,
        delay=delay,
        settling=settling,
        stops=stops,
        peaks=with_heat(
            channel_peaks(placed, setup.axes, peak_columns(setup)), _heat(placed, setup)
        ),
        notes=tuple(notes),
        passes=passes,
        driven=driven.table(),
    )
    reach = reaches_s(samples, refresh, max_gap_s=settings.max_gap_s)
    return found, LogNature(
        refresh,
        reach,
        stops,
        standing.bands,
        delay,
        settling,
        noise,
        warmth=warmth_of(line),
        driver=driver_of(line),
        start_s=_start_s(line),
    )


def _start_s(line: pd.DataFrame) -> float:
    """When a log begins. [s]"""
    return float(line["time_s"].iloc[0]) if len(line) else 0.0


def _trims(line: pd.DataFrame) -> list[str]:
    return [name for name in TRIM_COLUMNS if name in line]


def sum_log_passes(
    line: Mapping[str, Floats],
    lam: Floats | None,
    *,
    masks: Mapping[str, Mask],
    delay: SensorDelay,
    stops: tuple[float, float],
    setup: Setup,
) -> pd.DataFrame:
    """Sum what a log saw on its way through the cells.

    Parameters
    ----------
    line
        ``time_s, rpm, load`` and the trims on the time line.
    lam
        Lambda as logged, not yet put in its place; None without. [lambda]
    masks
        Every filter's mask, True = usable. They may be shorter than the line, whose end is there
        for lambda that arrives late.
    delay, stops, setup
        As found in the log, and its setup.
    """
    time_s, rpm, load = (line[name] for name in ("time_s", "rpm", "load"))
    count = len(masks["moving"])
    moving, need = np.zeros(len(time_s), dtype=bool), np.full(len(time_s), np.nan)
    if lam is not None:
        others = [mask for name, mask in masks.items() if name not in ("moving", "sweeping")]
        is_free = long_after_cut(time_s[:count], masks["fuel cut"], setup.steady.window_s)
        is_on_its_way = ~(masks["moving"] & masks["sweeping"])
        moving[:count] = np.logical_and.reduce([*others, is_on_its_way, is_free])
    at = np.flatnonzero(moving)
    if lam is not None and len(at):
        value, stop = need_values(
            lambda_when_moving(time_s, rpm, load, lam, delay=delay, rows=moving)[at],
            target_lambda=target_at(setup.axes, setup.target.table, rpm[at], load[at]),
            trims={name: line[name][at] for name in TRIM_COLUMNS if name in line},
            stops=stops,
            settings=setup.steady,
        )
        need[at] = np.where(stop == 0, value, np.nan)
    return sum_passes(setup.axes, rpm=rpm, load=load, need_ln=need, is_moving=moving)


def _warm_rows(is_warm: Mask, count: int | None) -> slice:
    """Return so many rows from the first warm one on; all for None."""
    if count is None:
        return slice(None)
    start = int(np.argmax(is_warm)) if is_warm.any() else 0
    return slice(start, start + count)


def _stops(samples: pd.DataFrame, setup: Setup) -> tuple[float, float]:
    """Richest and leanest reading of the sensor. [lambda]"""
    if "lambda" not in samples:
        return (0.0, np.inf)
    return sensor_stops(samples["lambda"].to_numpy(dtype=float), setup.steady)


def _needs(
    line: pd.DataFrame, target: Floats, stops: tuple[float, float], setup: Setup
) -> tuple[Floats, npt.NDArray[np.int8]]:
    """What each sample needs, and whether it is at a stop."""
    return need_values(
        line["lambda"].to_numpy(dtype=float) if "lambda" in line else None,
        target_lambda=target,
        trims={name: line[name].to_numpy(dtype=float) for name in TRIM_COLUMNS if name in line},
        stops=stops,
        settings=setup.steady,
    )


NO_LAMBDA = "no lambda channel: the need is read from the fuel trims alone"


def not_proven_warm(settings: SteadySettings) -> str:
    """Say that no channel shows a warm engine, and what that means."""
    wait_s = settings.unproven_warm_s
    means = (
        f", so the first {wait_s:g} s of it teach nothing. Log the temperature of coolant or oil; "
        "if the engine was warm from the start, set unproven_warm_s = 0 under [steady]"
    )
    return (
        "no coolant or oil temperature and no sender voltage was logged: nothing shows that the "
        f"engine was warm{means if wait_s > 0 else ''}"
    )


def teaching_masks(line: Mapping[str, Any] | pd.DataFrame, count: int) -> dict[str, Mask]:
    """Masks of what hides the need (see `tuneassist.evidence.influences`), True = usable.

    Parameters
    ----------
    line
        Columns on the time line, those of `HIDING` among them where something may hide it.
    count
        Its rows. [1]
    """
    return {
        fate: ~(np.asarray(line[column], dtype=float) > 0)
        if column in line
        else np.ones(count, dtype=bool)
        for fate, column in HIDING.items()
    }


def main_columns(samples: pd.DataFrame) -> tuple[str, ...]:
    """Columns whose renewal sets the time line."""
    return ("rpm", "load", "lambda") if "lambda" in samples else ("rpm", "load")


def peak_columns(setup: Setup) -> tuple[str, ...]:
    """Columns whose highest values matter and follow the engine at once."""
    columns = (CHANNELS[name].column for name in setup.limits.ceilings)
    return (*(column for column in columns if column != HEAT_COLUMN), "manifold_pressure_kpa")


def heat_peaks(samples: pd.DataFrame, setup: Setup) -> HeatPeaks | None:
    """Return what counts exhaust temperature; None where it has no ceiling or was not logged."""
    names = [name for name in setup.limits.ceilings if CHANNELS[name].column == HEAT_COLUMN]
    if not names or HEAT_COLUMN not in samples:
        return None
    return HeatPeaks(setup.axes, ceiling_c=setup.limits.ceilings[names[0]].ceiling)


def with_heat(peaks: pd.DataFrame, heat: HeatPeaks | None) -> pd.DataFrame:
    """Add each cell's exhaust temperature to the other peaks."""
    return peaks if heat is None else peaks.assign(**{f"{HEAT_COLUMN}_max": heat.column()})


def _heat(placed: pd.DataFrame, setup: Setup) -> HeatPeaks | None:
    heat = heat_peaks(placed, setup)
    if heat is not None:
        names = ("time_s", "rpm", "load", HEAT_COLUMN)
        heat.add(*(placed[name].to_numpy(dtype=float) for name in names))
    return heat


def _is_fuelled(line: pd.DataFrame, target: Floats, setup: Setup) -> Mask:
    """Mask of the fuel cut; where no target is known, against stoichiometric."""
    known = np.where(np.isfinite(target), target, 1.0)
    ignition = setup.engine.ignition
    return smooth_mask(is_fuelled(line, target=known, settings=setup.steady, ignition=ignition))


def _position_masks(
    line: pd.DataFrame,
    target: Floats,
    refresh: Refresh,
    setup: Setup,
    notes: list[str],
) -> tuple[dict[str, Mask], Standing]:
    """Masks that need no aligned lambda, True = usable, named after the fate of what they take."""
    settings, axes = setup.steady, setup.axes
    rpm, load = (line[c].to_numpy(dtype=float) for c in ("rpm", "load"))
    warm = is_warm(line, settings)
    if warm is None:
        notes.append(not_proven_warm(settings))
        time_s = line["time_s"].to_numpy(dtype=float)
        warm = warm_by_clock(time_s, _start_s(line), settings)
    standing = find_standing(
        line["time_s"].to_numpy(dtype=float),
        rpm,
        load,
        axes=axes,
        offset=load_offset(axes, setup.limits.barometer_kpa),
        interval_s=refresh.interval_s,
        settings=settings,
    )
    masks = {
        "no value": np.isfinite(rpm) & np.isfinite(load),
        "engine cold": warm,
        **teaching_masks(line, len(line)),
        "fuel cut": np.ones(len(line), dtype=bool),
        "outside the table": inside_axes(
            axes, rpm, load, margin_cells=settings.outside_margin_cells
        ),
        "no target there": np.isfinite(target),
        "moving": standing.is_steady,
        "sweeping": standing.is_standing,
    }
    return masks, standing


def _delay(
    line: pd.DataFrame,
    target: Floats,
    stops: tuple[float, float],
    masks: dict[str, Mask],
    *,
    is_joined: Mask,
    refresh: Refresh,
    setup: Setup,
) -> SensorDelay:
    """Estimate the delay against a first surface from holds with generous settling."""
    settings = setup.steady
    if "lambda" not in line:
        return known_delay(settings, why="no lambda channel")
    if settings.lambda_delay_s is not None:
        return known_delay(settings, why="given by the setup", source="setup")
    first = add_need(line, target_lambda=target, stops=stops, settings=settings)
    fuelled = _is_fuelled(line, target, setup)
    usable = np.logical_and.reduce([*masks.values(), fuelled])
    gap_s = max(settings.max_gap_s, 3.0 * refresh.interval_s)
    stretch = number_stretches(
        usable, line["time_s"].to_numpy(dtype=float), max_gap_s=gap_s, is_joined=is_joined
    )
    holds, _ = reduce_to_holds(
        first,
        stretch=stretch,
        settle_s=settings.default_settle_s + settings.default_delay_s,
        interval_s=refresh.interval_s,
        settings=settings,
    )
    holds = holds[holds["stop"].eq("")]
    if len(holds) < settings.min_samples:
        return known_delay(settings, why=f"only {len(holds)} holds in the log")
    weights = bilinear_weights(setup.axes, holds["rpm"], holds["load"])
    index = np.zeros(len(holds), dtype=np.int64)
    used = np.ones(len(holds), dtype=bool)
    named = holds.rename(columns={"need_ln": "total_need_ln"})
    fit = fit_holds(setup, named, weights, index, used, robust=False)
    if fit is None:
        return known_delay(settings, why="no holds in the log")
    rpm, load = (line[c].interpolate(limit_direction="both") for c in ("rpm", "load"))
    trims = first["need_ln"] - np.log(line["lambda"].where(line["lambda"] > 0) / target)
    need = from_surface_scale(
        bilinear_weights(setup.axes, rpm, load) @ fit.theta, setup.target.kind
    )
    surface = need + np.log(target) - trims.fillna(0)
    lam = line["lambda"].to_numpy(dtype=float)
    is_value = fuelled & first["is_at_stop"].eq("").to_numpy() & (lam > 0) & masks["engine cold"]
    return estimate_delay(
        line,
        surface=surface.to_numpy(dtype=float),
        is_usable=is_value,
        settings=settings,
        load_offset=load_offset(setup.axes, setup.limits.barometer_kpa),
    )


def count_fates(masks: dict[str, Mask], fate: npt.NDArray[np.int8]) -> pd.Series:
    """Count samples by fate.

    Parameters
    ----------
    masks
        Fate to the samples that it leaves, in the order in which they take.
    fate
        What became of the samples that all of them leave, as places in `FATE_WORDS`.

    Returns
    -------
    pandas.Series
        Counts in the order of `FATES`.
    """
    counts = dict.fromkeys(FATES, 0)
    left: Mask | None = None
    for name, mask in masks.items():
        rest = mask if left is None else left & mask
        counts[name] = (len(mask) if left is None else int(left.sum())) - int(rest.sum())
        left = rest
    for word, count in zip(FATE_WORDS, np.bincount(fate, minlength=len(FATE_WORDS)), strict=True):
        if word:
            counts[word] += int(count)
    return pd.Series(counts, dtype=int).rename("count")


def fit_holds(
    setup: Setup,
    holds: pd.DataFrame,
    weights: sparse.csr_matrix,
    index: npt.NDArray[np.int64],
    is_used: Mask,
    *,
    robust: bool = True,
    like: LatticeFit | None = None,
) -> LatticeFit | None:
    """Fit the lattice to the holds that are used; None without one.

    Parameters
    ----------
    setup
        Axes and the kind of target.
    holds
        With ``total_need_ln, within_se`` and, where logs may have drifted, ``fade_ln``.
    weights
        Bilinear weights of all holds, shape (holds, cells).
    index
        Number of each hold's log, shape (holds,).
    is_used
        Holds that take part, shape (holds,).
    robust
        Whether bad holds lose weight.
    like
        As for `fit_lattice`.
    """
    if not is_used.any():
        return None
    _, first, codes = np.unique(index[is_used], return_index=True, return_inverse=True)
    fade = (
        holds.loc[is_used, "fade_ln"].to_numpy(dtype=float)[first] if "fade_ln" in holds else None
    )
    # the plain fit ahead of the delay is asked for values only, not for a drift
    has_times = robust and "start_s" in holds
    start_s = holds.loc[is_used, "start_s"].to_numpy(dtype=float) if has_times else None
    need = holds.loc[is_used, "total_need_ln"].to_numpy(dtype=float)
    own_se = holds.loc[is_used, "within_se"].clip(lower=MIN_HOLD_SE).to_numpy(dtype=float)
    scale = scatter_scale(need, setup.target.kind)
    return fit_lattice(
        setup.axes,
        weights[is_used],
        surface_scale(need, setup.target.kind),
        own_se * scale,
        codes,
        scale=scale,
        log_se=fade,
        time_s=start_s,
        shared=shared_errors(holds[is_used], scale) if robust else None,
        robust=robust,
        like=like,
    )


def tail_notes(holds: pd.DataFrame, noise: HoldNoise | None) -> list[str]:
    """Say that moves leave a tail in the holds, where that is likely and of a size to be seen.

    Parameters
    ----------
    holds
        As reduced, with `SHARED_ERRORS` and ``tail_ln``.
    noise
        What the holds showed.
    """
    if noise is None or noise.tail is None or noise.tail.chance < NOTED_CHANCE:
        return []
    value = holds[holds["stop"].eq("")]
    size = 100.0 * float(np.sqrt(np.mean(value["tail_ln"] ** 2)))
    if size < NOTED_TAIL_PCT:
        return []
    doubt = 200.0 * float(value["tail_se"].median())
    return [
        f"lambda still creeps during the holds, long after each move: {size:.1f} % of it was taken "
        f"out of the holds, and what is uncertain about that ({doubt:.1f} %) is in the intervals; "
        "hold for longer to be surer"
    ]


def shared_errors(holds: pd.DataFrame, scale: Floats) -> Floats | None:
    """Errors that holds share, one column per kind; None where there are none.

    An engine's tail is the same in all of its logs, so that they share what is uncertain about it.

    Parameters
    ----------
    holds
        With `SHARED_ERRORS` where a log has any.
    scale
        Size of an error on the scale of the fit.
    """
    names = [name for name in SHARED_ERRORS if name in holds]
    if not names:
        return None
    return np.asarray(np.nan_to_num(holds[names].to_numpy(dtype=float)) * scale[:, None])
