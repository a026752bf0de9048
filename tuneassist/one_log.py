"""One log to its holds: what is found out about the log, and what becomes of every sample.

The stages of `tuneassist.evidence` in order, on a log that is held in memory. Longer logs go
through `tuneassist.reduction`, which finds out about the log here, in its first part.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from tuneassist.channels import CHANNELS, load_offset
from tuneassist.evidence.cell_passes import lambda_when_moving, long_after_cut, sum_passes
from tuneassist.evidence.delay import SensorDelay, align, estimate_delay, known_delay
from tuneassist.evidence.heat import HEAT_COLUMN, HeatPeaks
from tuneassist.evidence.holds import (
    OUTCOME_WORDS,
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
from tuneassist.evidence.lattice import LatticeFit, fit_lattice
from tuneassist.evidence.load_envelope import LoadEnvelope as DrivenLoads
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
from tuneassist.evidence.refresh import Refresh, common_time_line, reaches_s, with_places
from tuneassist.evidence.side_channels import EXCLUDED_BY as HIDING
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
        Sums over the passes through each cell, from `tuneassist.evidence.cell_passes.sum_passes`;
        None where they were not counted.
    driven
        Lowest and highest load by band of speed (`tuneassist.evidence.load_envelope`);
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
    one = _Filtered.of(samples, setup)
    delay = _delay(one.first_warm(delay_rows), setup)
    logged = one.column("lambda")
    one = one.with_lambda_in_place(delay, setup)
    holds, fates, settling, noise = _to_holds(one, delay, setup)
    peaks, driven = _where_it_went(samples, setup)
    found = LogEvidence(
        name=name,
        holds=holds.assign(log=name),
        fates=fates,
        samples=len(one.line),
        refresh=one.refresh,
        delay=delay,
        settling=settling,
        stops=one.stops,
        peaks=peaks,
        notes=(*one.notes, *tail_notes(holds, noise)),
        passes=_passes(one, logged, delay, setup),
        driven=driven,
    )
    nature = LogNature(
        refresh=one.refresh,
        reaches_s=reaches_s(samples, one.refresh, max_gap_s=setup.steady.max_gap_s),
        stops=one.stops,
        bands=one.standing.bands,
        delay=delay,
        settling=settling,
        noise=noise,
        warmth=warmth_of(one.line),
        driver=driver_of(one.line),
        start_s=_start_s(one.line),
    )
    return found, nature


@dataclass(frozen=True, eq=False)
class _Filtered:
    """A log on its time line, with what each filter leaves of it.

    Parameters
    ----------
    line, refresh
        From `tuneassist.evidence.refresh.common_time_line`.
    target
        Wanted lambda of each row. [lambda]
    stops
        Richest and leanest reading of the sensor. [lambda]
    masks
        Rows that each filter leaves, by the fate of those that it takes.
    standing
        Where speed and load stand still.
    notes
        Sentences that a user should read.
    """

    line: pd.DataFrame
    refresh: Refresh
    target: Floats
    stops: tuple[float, float]
    masks: dict[str, Mask]
    standing: Standing
    notes: tuple[str, ...]

    @classmethod
    def of(cls, samples: pd.DataFrame, setup: Setup) -> _Filtered:
        """Put a log on its time line and ask every filter that needs no lambda in its place."""
        line, refresh = common_time_line(
            samples, main=main_columns(samples), max_gap_s=setup.steady.max_gap_s
        )
        rpm, load = (line[c].to_numpy(dtype=float) for c in ("rpm", "load"))
        target = target_at(setup.axes, setup.target.table, rpm, load)
        notes = list[str]()
        masks, standing = _position_masks(line, target, refresh, setup, notes)
        if "lambda" not in line:
            notes.append(NO_LAMBDA)
        return cls(line, refresh, target, _stops(samples, setup), masks, standing, tuple(notes))

    @property
    def is_usable(self) -> Mask:
        """Rows that every filter leaves."""
        return np.asarray(np.logical_and.reduce(list(self.masks.values())))

    def column(self, name: str) -> Floats | None:
        """Values of a column; None where it was not logged."""
        return self.line[name].to_numpy(dtype=float) if name in self.line else None

    def first_warm(self, count: int | None) -> _Filtered:
        """Return so many rows from the first warm one on; all for None."""
        is_warm = self.masks["engine cold"]
        start = int(np.argmax(is_warm)) if is_warm.any() else 0
        rows = slice(None) if count is None else slice(start, start + count)
        return replace(
            self,
            line=self.line.iloc[rows],
            target=self.target[rows],
            masks={name: mask[rows] for name, mask in self.masks.items()},
            standing=self.standing.at(rows),
        )

    def with_lambda_in_place(self, delay: SensorDelay, setup: Setup) -> _Filtered:
        """Return the log with lambda beside what it tells about, and fuel cuts filtered by it."""
        line = self.line
        if "lambda" in line:
            gap_s = longest_gap_s(self.refresh, setup.steady)
            line = line.assign(**{"lambda": align(line, delay, max_gap_s=gap_s)})
        fuelled = _is_fuelled(line, self.target, setup)
        return replace(self, line=line, masks={**self.masks, "fuel cut": fuelled})

    def stretches(self, setup: Setup, is_usable: Mask) -> npt.NDArray[np.int64]:
        """Number the stretches of usable rows."""
        return number_stretches(
            is_usable,
            self.line["time_s"].to_numpy(dtype=float),
            max_gap_s=longest_gap_s(self.refresh, setup.steady),
            is_joined=self.standing.is_joined,
        )


def longest_gap_s(refresh: Refresh, settings: SteadySettings) -> float:
    """Return the longest pause that a stretch may hold: three samples of a slow logger. [s]"""
    return max(settings.max_gap_s, 3.0 * refresh.interval_s)


def _to_holds(
    one: _Filtered, delay: SensorDelay, setup: Setup
) -> tuple[pd.DataFrame, pd.Series, Settling, HoldNoise | None]:
    """Reduce the usable rows to holds, and count what became of all rows."""
    time_s, rpm, load = (one.line[c].to_numpy(dtype=float) for c in ("time_s", "rpm", "load"))
    need, stop = _needs(one.line, one.target, one.stops, setup)
    usable = one.is_usable
    stretch = one.stretches(setup, usable)
    settling = find_settling(need, stretch, time_s, lag_s=delay.lag_s, settings=setup.steady)
    holds, fate, noise = reduce_stretches(
        Stretches(time_s, rpm, load, need, one.target, stop, stretch),
        settle_s=settling.settle_s,
        interval_s=one.refresh.interval_s,
        settings=setup.steady,
    )
    return holds, count_fates(one.masks, fate[usable]), settling, noise


def _where_it_went(samples: pd.DataFrame, setup: Setup) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Highest values by cell, and the loads driven by band of speed: of all samples as logged."""
    settings = setup.steady
    placed = with_places(samples, max_gap_s=settings.max_gap_s)
    driven = DrivenLoads(setup.axes, margin_cells=settings.outside_margin_cells)
    driven.add_samples(placed, settings)
    peaks = channel_peaks(placed, setup.axes, peak_columns(setup))
    return with_heat(peaks, _heat(placed, setup)), driven.table()


def _passes(
    one: _Filtered, logged: Floats | None, delay: SensorDelay, setup: Setup
) -> pd.DataFrame:
    """Sum what was seen on the way through the cells, by lambda as logged."""
    names = ("time_s", "rpm", "load", *_trims(one.line))
    return sum_log_passes(
        {name: one.line[name].to_numpy(dtype=float) for name in names},
        logged,
        masks=one.masks,
        delay=delay,
        stops=one.stops,
        setup=setup,
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
    """Masks of what hides the need (see `tuneassist.evidence.side_channels`), True = usable.

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


def _delay(one: _Filtered, setup: Setup) -> SensorDelay:
    """Estimate the delay against a first surface from holds with generous settling."""
    settings, line = setup.steady, one.line
    if "lambda" not in line:
        return known_delay(settings, why="no lambda channel")
    if settings.lambda_delay_s is not None:
        return known_delay(settings, why="given by the setup", source="setup")
    needs = add_need(line, target_lambda=one.target, stops=one.stops, settings=settings)
    fuelled = _is_fuelled(line, one.target, setup)
    holds = _holds_ahead_of_delay(one, needs, fuelled, setup)
    if len(holds) < settings.min_samples:
        return known_delay(settings, why=f"only {len(holds)} holds in the log")
    fit = _first_surface(holds, setup)
    if fit is None:
        return known_delay(settings, why="no holds in the log")
    is_above_0 = line["lambda"].to_numpy(dtype=float) > 0
    is_value = fuelled & needs["is_at_stop"].eq("").to_numpy() & is_above_0
    return estimate_delay(
        line,
        surface=_expected_lambda_ln(one, needs, fit, setup),
        is_usable=is_value & one.masks["engine cold"],
        settings=settings,
        load_offset=load_offset(setup.axes, setup.limits.barometer_kpa),
    )


def _holds_ahead_of_delay(
    one: _Filtered, needs: pd.DataFrame, fuelled: Mask, setup: Setup
) -> pd.DataFrame:
    """Return holds that are long enough for a delay that is not known yet."""
    settings = setup.steady
    holds, _ = reduce_to_holds(
        needs,
        stretch=one.stretches(setup, one.is_usable & fuelled),
        settle_s=settings.default_settle_s + settings.default_delay_s,
        interval_s=one.refresh.interval_s,
        settings=settings,
    )
    return holds[holds["stop"].eq("")]


def _first_surface(holds: pd.DataFrame, setup: Setup) -> LatticeFit | None:
    """Fit one log's own surface, of which only the values are asked."""
    weights = bilinear_weights(setup.axes, holds["rpm"], holds["load"])
    index, used = np.zeros(len(holds), dtype=np.int64), np.ones(len(holds), dtype=bool)
    named = holds.rename(columns={"need_ln": "total_need_ln"})
    return fit_holds(setup, named, weights, index, used, robust=False)


def _expected_lambda_ln(
    one: _Filtered, needs: pd.DataFrame, fit: LatticeFit, setup: Setup
) -> Floats:
    """What the surface expects of lambda at each row, with the trims then at work. [ln]"""
    line, target = one.line, one.target
    rpm, load = (line[c].interpolate(limit_direction="both") for c in ("rpm", "load"))
    trims = needs["need_ln"] - np.log(line["lambda"].where(line["lambda"] > 0) / target)
    need = from_surface_scale(
        bilinear_weights(setup.axes, rpm, load) @ fit.theta, setup.target.kind
    )
    return np.asarray((need + np.log(target) - trims.fillna(0)).to_numpy(dtype=float))


def count_fates(masks: dict[str, Mask], fate: npt.NDArray[np.int8]) -> pd.Series:
    """Count samples by fate.

    Parameters
    ----------
    masks
        Fate to the samples that it leaves, in the order in which they take.
    fate
        What became of the samples that all of them leave, as places in `OUTCOME_WORDS`.

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
    for word, count in zip(
        OUTCOME_WORDS, np.bincount(fate, minlength=len(OUTCOME_WORDS)), strict=True
    ):
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
        warm_start=like,
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
