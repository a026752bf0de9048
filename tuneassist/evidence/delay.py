"""How late lambda arrives: estimated from the log's own moves, with its uncertainty.

After a move of speed or load the mixture in the cylinder changes at once, along the fuelling
surface that the holds have shown, and it changes a second way for a moment: fuel that wets the
port's wall (or air that a turbo still owes) makes the mixture swing while the throttle moves. Both
reach the sensor after the gas has travelled, and the sensor follows with a lag of its own.

The model is that of the literature, a delay and a first-order lag,
``lambda(t) = lag[ surface(t - d) + sum w_i swing_i(t - d) ]`` with
``d = d0 + d1 (flow_ref / flow - 1)``, flow taken as proportional to speed times load (Guzzella
and Onder, Introduction to Modeling and Control of Internal Combustion Engine Systems; Ebrahimi et
al., Control Engineering Practice, 2012: the delay varies with speed and air flow). ``d0``, ``d1``,
the lag and the ``w_i`` are fitted to the samples around moves, robustly; moves are the clusters of
the covariance.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.linalg import blas

from tuneassist.evidence.statistics import cluster_covariance
from tuneassist.grid import Floats
from tuneassist.settings import SteadySettings
from tuneassist.threads import on_one_thread

Mask = npt.NDArray[np.bool_]

#: Time constants of the swings after a move: what wets the wall returns at a rate of its own. [s]
SWINGS_S = (0.15, 0.5, 1.5)
#: Stretch around the start of a move that takes part in the fit. [s]
BEFORE_S, AFTER_S = 0.5, 3.0
#: A log with more than this many times its rows' time in pauses has them cut to `PAUSE_S`, longer
#: than a move with what follows it. [1], [s]
MOST_PAUSES, PAUSE_S = 4.0, 5.0
#: Fewest moves from which a delay is estimated. [1]
MIN_MOVES = 8
#: What is added to the standard error because a wetted wall and a delay look alike: on truth-known
#: engines the estimate is off by this much however long the log. [s]
MODEL_ERROR_S = 0.05
#: Fewest samples near moves. [1]
MIN_SAMPLES = 50
#: Widest standard error with which an estimate is used. [s]
MAX_STANDARD_ERROR_S = 0.12
#: How surely lambda must answer the moves: mean over the moves of ln(misfit without the model /
#: misfit with it), in its standard errors. Swings fitted to mere noise reach 2 to 2.5. [1]
MIN_ANSWER_SPANS = 3.5
#: Delays longer than this many mean delays are not believed at the lowest flow. [1]
FLOW_SPAN = 3.0
#: Step of the delays tried first. [s]
COARSE_S = 0.08
#: Lags tried first. [s]
LAGS_S = (0.03, 0.1, 0.25)
#: Shortest and longest lag believed: wide-band sensors are given as 0.02 to 0.1 s (Measurement
#: Science and Technology 19, 2008, abstract), housings and filters add to that. [s]
LAG_BOUNDS_S = (0.01, 0.3)


@dataclass(frozen=True)
class SensorDelay:
    """By how much lambda is late.

    Parameters
    ----------
    delay_s
        Delay at the log's middle flow. [s]
    standard_error_s
        Its standard error; nan where it was not estimated. [s]
    flow_delay_s
        Part of the delay that goes with the inverse of the flow. [s]
    reference_flow
        Middle of speed times load in this log. [rpm x load unit]
    lag_s
        Time constant of the sensor's own response. [s]
    moves
        Moves that took part. [1]
    source
        "log", "setup" or "default".
    why
        A sentence for people.
    load_offset
        Added to load so that flow goes with it: the barometer on a gauge axis. [load unit]
    lag_standard_error_s
        Standard error of the lag; nan where it was not estimated. [s]
    """

    delay_s: float
    standard_error_s: float
    flow_delay_s: float
    reference_flow: float
    lag_s: float
    moves: int
    source: str
    why: str
    load_offset: float = 0.0
    lag_standard_error_s: float = float("nan")

    def at(self, rpm: Floats, load: Floats) -> Floats:
        """Delay at each operating point. [s]"""
        flow = np.maximum(rpm * (load + self.load_offset), 1e-9)
        relative = np.clip(self.reference_flow / flow, 1.0 / FLOW_SPAN, FLOW_SPAN)
        return np.asarray(np.maximum(self.delay_s + self.flow_delay_s * (relative - 1.0), 0.0))


def known_delay(settings: SteadySettings, *, why: str, source: str = "default") -> SensorDelay:
    """Return the delay that the settings state."""
    given = settings.lambda_delay_s
    delay_s = settings.default_delay_s if given is None else given
    return SensorDelay(delay_s, float("nan"), 0.0, 1.0, 0.1, 0, source, why)


@dataclass(frozen=True, eq=False)
class _Moves:
    """The log on an even time line, with what the fit needs."""

    step_s: float
    time_s: Floats
    measured: Floats
    surface: Floats
    swings: tuple[Floats, ...]
    relative_flow: Floats
    move: Floats  # number of the move at each sample, nan outside
    rows: npt.NDArray[np.int64]  # samples of moves at which lambda is a value
    blank: Floats  # 1 where the surface is not known, else 0
    parts: tuple[Floats, ...]  # the surface, its blanks filled, and the swings
    lagged: dict[float, list[Floats]] = field(default_factory=dict)  # the parts at the last lags

    def at_lag(self, lag_s: float) -> list[Floats]:
        """Return the parts behind a first-order lag; the first search comes back to few lags."""
        if lag_s not in self.lagged:
            if len(self.lagged) > len(LAGS_S):
                self.lagged.clear()
            self.lagged[lag_s] = [_lag(part, lag_s, self.step_s) for part in self.parts]
        return self.lagged[lag_s]


@on_one_thread
def estimate_delay(
    line: Mapping[str, Floats],
    *,
    surface: Floats,
    is_usable: Mask,
    settings: SteadySettings,
    load_offset: float = 0.0,
) -> SensorDelay:
    """Estimate the delay of lambda from its response to moves.

    Parameters
    ----------
    line
        Samples on the common time line: ``time_s``, ``rpm``, ``load``, ``lambda``.
    surface
        ln(lambda) that the holds of this log predict at each sample; nan where they cannot.
    is_usable
        True where lambda is a value: fuelled and off the sensor's stops.
    settings
        Defaults and the longest delay.
    load_offset
        As in `SensorDelay`.

    Returns
    -------
    SensorDelay
        The estimate, or the documented default with the reason why the log cannot tell.
    """
    if settings.lambda_delay_s is not None:
        return known_delay(settings, why="given by the setup", source="setup")
    line = {**line, "load": line["load"] + load_offset}
    moves = _moves(line, surface=surface, is_usable=is_usable)
    near = _near_moves(moves) if moves else np.zeros(0, dtype=bool)
    count = len(np.unique(moves.move[near])) if moves else 0
    if moves is None or count < MIN_MOVES or near.sum() < MIN_SAMPLES:
        return known_delay(settings, why=_too_few_words(count, int(near.sum())))
    best = _search(moves, settings)
    spread, lag_spread = _standard_errors(moves, best)
    delay_s, flow_delay_s, lag_s = best
    if not (spread <= MAX_STANDARD_ERROR_S and _answer_spans(moves, best) >= MIN_ANSWER_SPANS):
        return known_delay(
            settings,
            why=f"lambda hardly answers this log's {count} moves (standard error {spread:.2f} s)",
        )
    flow = line["rpm"] * line["load"]
    return SensorDelay(
        delay_s=float(delay_s),
        standard_error_s=float(spread),
        flow_delay_s=float(flow_delay_s),
        reference_flow=float(np.nanmedian(flow)),
        lag_s=float(lag_s),
        moves=count,
        source="log",
        why=f"from the response of lambda to {count} moves",
        load_offset=load_offset,
        lag_standard_error_s=float(lag_spread),
    )


def _too_few_words(moves: int, samples: int) -> str:
    """Say what a log lacks for its delay to be found."""
    if moves < MIN_MOVES:
        return f"only {moves} usable moves in the log, {MIN_MOVES} needed"
    return (
        f"only {samples} samples about the log's {moves} moves, {MIN_SAMPLES} needed: log lambda "
        "more often"
    )


def _moves(line: Mapping[str, Floats], *, surface: Floats, is_usable: Mask) -> _Moves | None:
    time_s, rpm, load = line["time_s"], line["rpm"], line["load"]
    if len(time_s) < 50:
        return None
    step_s = float(np.median(np.diff(time_s)))
    if time_s[-1] - time_s[0] > MOST_PAUSES * len(time_s) * step_s:
        time_s = _with_short_pauses(time_s)
    even_s = np.arange(time_s[0], time_s[-1], step_s)
    measured = np.log(np.where(is_usable, line["lambda"], np.nan))
    log_load = np.log(np.maximum(load, 1e-6))
    filled = _filled(log_load)
    fuel = filled + _filled(np.log(np.maximum(rpm, 1.0)))
    swings = [fuel - _lag(fuel, swing_s, step_s) for swing_s in SWINGS_S]
    speed = np.abs(np.gradient(_filled(_median_of_three(filled)))) + np.abs(
        np.gradient(_filled(np.log(np.maximum(rpm, 1.0))))
    )
    numbers = _number_moves(speed, time_s)
    flow = np.maximum(_filled(rpm) * _filled(load), 1e-9)
    relative = np.clip(np.median(flow) / flow, 1 / FLOW_SPAN, FLOW_SPAN)
    nearest = np.clip(np.searchsorted(time_s, even_s), 0, len(time_s) - 1)
    even_measured, even_surface = (np.interp(even_s, time_s, v) for v in (measured, surface))
    even_swings = tuple(np.interp(even_s, time_s, swing) for swing in swings)
    move = numbers[nearest]
    return _Moves(
        step_s=step_s,
        time_s=even_s,
        measured=even_measured,
        surface=even_surface,
        swings=even_swings,
        relative_flow=relative[nearest],
        move=move,
        rows=np.flatnonzero(np.isfinite(move) & np.isfinite(even_measured)),
        blank=np.isnan(even_surface).astype(float),
        parts=tuple(_filled(part) for part in (even_surface, *even_swings)),
    )


def _with_short_pauses(time_s: Floats) -> Floats:
    """Cut pauses down: a stamp that jumps by years must not become years of an even time line."""
    steps = np.minimum(np.diff(time_s), PAUSE_S)
    return np.concatenate([time_s[:1], time_s[0] + np.cumsum(steps)])


def _median_of_three(values: Floats) -> Floats:
    """Median of each value and its neighbours, with zeros beyond the ends."""
    around = np.concatenate([[0.0], values, [0.0]])
    low = np.minimum(around[:-2], around[1:-1])
    high = np.maximum(around[:-2], around[1:-1])
    return np.asarray(np.maximum(low, np.minimum(high, around[2:])))


def _near_moves(moves: _Moves) -> Mask:
    """Samples of moves at which lambda is a value and the surface is known."""
    return np.asarray(
        np.isfinite(moves.move) & np.isfinite(moves.measured) & np.isfinite(moves.surface)
    )


def _filled(values: Floats) -> Floats:
    return np.asarray(pd.Series(values).interpolate(limit_direction="both").to_numpy(dtype=float))


def _number_moves(speed: Floats, time_s: Floats) -> Floats:
    """Number the stretches around quick changes of the operating point."""
    quick = speed > 6.0 * max(float(np.median(speed)), 1e-12)
    starts = time_s[quick]
    if starts.size == 0:
        return np.full(len(time_s), np.nan)
    starts = starts[np.concatenate([[True], np.diff(starts) > 1.0])]
    latest = np.searchsorted(starts, time_s + BEFORE_S, side="right") - 1
    since = time_s - starts[np.clip(latest, 0, None)]
    inside = (latest >= 0) & (since <= AFTER_S)
    return np.where(inside, latest.astype(float), np.nan)


def _lag(values: Floats, lag_s: float, step_s: float) -> Floats:
    """First-order lag with its state started at the first value."""
    keep = np.full(len(values), float(np.exp(-step_s / max(lag_s, 1e-3))))
    return first_order_lag(values, keep, float(values[0]))


def first_order_lag(values: Floats, keep: Floats, before: float) -> Floats:
    """Follow a signal with a step of its own at every row.

    Parameters
    ----------
    values
        The signal, shape (n,).
    keep
        Share of the state that is left at each row, ``exp(-step / tau)``; 0 starts anew. [1]
    before
        State before the first row.

    Examples
    --------
    >>> first_order_lag(np.array([0.0, 1.0, 1.0]), np.array([0.0, 0.5, 0.5]), 9.0)
    array([0.  , 0.5 , 0.75])
    """
    # the state before is a row of its own, so that a cut changes no rounding
    driven = np.append(before, (1.0 - keep) * values)
    # y[i] - keep[i] y[i-1] = (1 - keep[i]) x[i] is a system of two diagonals
    band = np.zeros((2, len(driven)), order="F")
    band[0], band[1, :-1] = 1.0, -keep
    return np.asarray(blas.dtbsv(1, band, driven, lower=1, diag=1, overwrite_x=1))[1:]


def _design(moves: _Moves, parameters: Floats) -> Floats:
    """Columns at the move samples: the surface's signal and the swings', delayed and lagged."""
    delay_s, flow_delay_s, lag_s = (float(value) for value in parameters)
    flow = moves.relative_flow[moves.rows]
    shifted_s = moves.time_s[moves.rows] - (delay_s + flow_delay_s * (flow - 1.0))
    columns = [np.interp(shifted_s, moves.time_s, lagged) for lagged in moves.at_lag(lag_s)]
    is_blank = np.interp(shifted_s, moves.time_s, moves.blank) > 0
    columns[0] = np.where(is_blank, np.nan, columns[0])
    return np.stack(columns, axis=1)


def _residual(moves: _Moves, parameters: Floats) -> tuple[Floats, Floats, npt.NDArray[np.int64]]:
    """Residual, swing columns and rows of the move samples, the swings' sizes solved out."""
    design = _design(moves, parameters)
    is_known = np.isfinite(design).all(axis=1)
    rows = moves.rows[is_known]
    gap = moves.measured[rows] - design[is_known, 0]
    if gap.size < MIN_SAMPLES:
        return np.empty(0), np.empty((0, len(moves.swings))), rows
    swings = design[is_known, 1:]
    return _without(gap - np.median(gap), swings), swings, rows


def _without(gap: Floats, swings: Floats) -> Floats:
    """Take the swings' share out of the gap, by least squares that wild samples do not sway."""
    weight = np.ones(len(gap))
    rest = gap
    for _ in range(3):
        weighted = swings * weight[:, None]
        size = np.linalg.lstsq(weighted.T @ swings, weighted.T @ gap, rcond=1e-9)[0]
        rest = gap - swings @ size
        scale = max(1.4826 * float(np.median(np.abs(rest))), 1e-9)
        weight = np.minimum(1.0, 3.0 * scale / np.maximum(np.abs(rest), 1e-12))
    return rest


def _cost(moves: _Moves, parameters: Floats) -> float:
    residual, _, _ = _residual(moves, parameters)
    if residual.size == 0:
        return np.inf
    size = np.abs(residual)
    kink = 3.0 * 1.4826 * float(np.median(size)) + 1e-9
    return float(np.mean(np.where(size <= kink, size**2, 2 * kink * size - kink**2)))


def _search(moves: _Moves, settings: SteadySettings) -> Floats:
    """Coarse grid over delay and lag, then a simplex over delay, flow part and lag."""
    from scipy.optimize import minimize

    delays = np.arange(0.0, settings.max_delay_s + 1e-9, COARSE_S)
    tries = [(d, 0.0, lag) for d in delays for lag in LAGS_S]
    start = np.array(min(tries, key=lambda p: _cost(moves, np.array(p))))

    def cost(p: Floats) -> float:
        low_flow = p[0] + p[1] * (FLOW_SPAN - 1.0)
        high_flow = p[0] + p[1] * (1.0 / FLOW_SPAN - 1.0)
        outside = max(0.0, -high_flow, p[0] - settings.max_delay_s, -p[1])
        outside = max(outside, LAG_BOUNDS_S[0] - p[2], p[2] - LAG_BOUNDS_S[1])
        outside = max(outside, low_flow - 2 * settings.max_delay_s)
        held = np.array([p[0], p[1], np.clip(p[2], *LAG_BOUNDS_S)])
        return float(_cost(moves, held) * (1.0 + 10.0 * outside))

    simplex = start + np.array([[0, 0, 0], [0.05, 0, 0], [0, 0.03, 0], [0, 0, 0.05]])
    found = minimize(
        cost,
        start,
        method="Nelder-Mead",
        options={"initial_simplex": simplex, "maxfev": 90, "xatol": 2e-3, "fatol": 1e-12},
    )
    return np.asarray([found.x[0], max(found.x[1], 0.0), np.clip(found.x[2], *LAG_BOUNDS_S)])


def _standard_errors(moves: _Moves, best: Floats) -> tuple[float, float]:
    """Standard errors of delay and lag from the slopes of the residuals, moves as clusters."""
    base, swings, rows = _residual(moves, best)
    columns = list(swings.T)
    for index, step in ((0, 0.02), (2, 0.02)):
        moved = best.copy()
        moved[index] += step
        other, _, other_rows = _residual(moves, moved)
        both = np.intersect1d(rows, other_rows)
        slope = np.zeros(len(rows))
        at = np.searchsorted(rows, both)
        slope[at] = (other[np.searchsorted(other_rows, both)] - base[at]) / step
        columns.append(slope)
    x = np.stack(columns, axis=1)
    place = swings.shape[1]
    variance = np.diag(cluster_covariance(x, base, moves.move[rows]))[place:]
    own = np.where(variance > 0, np.sqrt(np.maximum(variance, 0.0)), np.inf)
    delay_error, lag_error = np.hypot(own, MODEL_ERROR_S)
    return float(delay_error), float(lag_error)


def _answer_spans(moves: _Moves, best: Floats) -> float:
    """How surely the model explains the moves better than a lambda that stands still."""
    residual, _, rows = _residual(moves, best)
    still = moves.measured[rows] - np.median(moves.measured[rows])
    limit = 3.0 * 1.4826 * float(np.median(np.abs(still))) + 1e-9
    misfit = [
        pd.Series(np.minimum(np.abs(gap), limit) ** 2 + 1e-18).groupby(moves.move[rows]).mean()
        for gap in (still, residual)
    ]
    gain = np.log((misfit[0] / misfit[1]).to_numpy(dtype=float))
    return float(gain.mean() / max(gain.std(ddof=1) / np.sqrt(len(gain)), 1e-9))


def align(
    time_s: Floats,
    rpm: Floats,
    load: Floats,
    lam: Floats,
    delay: SensorDelay,
    *,
    max_gap_s: float,
) -> Floats:
    """Lambda that belongs to each sample's moment: read ``delay`` later.

    Parameters
    ----------
    time_s, rpm, load, lam
        The time line, lambda as logged. [s], [rpm], [load unit], [lambda]
    delay
        What `estimate_delay` found.
    max_gap_s
        No value is interpolated across a longer pause. [s]

    Returns
    -------
    numpy.ndarray
        Nearest lambda to the delayed moment, shape (n,); nan where there is none near. Nearest
        and not interpolated, so that a reading at the sensor's stop stays one. [lambda]
    """
    if len(time_s) < 2:
        return lam.copy()
    late_s = time_s + delay.at(rpm, load)
    late_s = np.where(np.isfinite(late_s), late_s, time_s + delay.delay_s)
    after = np.clip(np.searchsorted(time_s, late_s), 1, len(time_s) - 1)
    is_before_nearer = late_s - time_s[after - 1] < time_s[after] - late_s
    nearest = np.where(is_before_nearer, after - 1, after)
    return np.where(np.abs(time_s[nearest] - late_s) <= max_gap_s, lam[nearest], np.nan)
