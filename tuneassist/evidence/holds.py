"""From steady samples to holds: settling taken off by evidence, one robust value per hold.

One hold is one stretch of steady samples. Its samples are correlated, so that the hold and not the
sample is the unit of evidence; its own standard error counts the samples for what they are worth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.evidence.groups import Groups
from tuneassist.evidence.statistics import effective_sample_size, pooled_autocorrelation
from tuneassist.evidence.tail import Tail, find_tail
from tuneassist.grid import Floats
from tuneassist.settings import SteadySettings

Mask = npt.NDArray[np.bool_]

#: Fewest stretches from which the settling time is read.
MIN_STRETCHES = 10
#: Settling is over when the spread of samples is within this ratio of that of the later ones.
SETTLED_RATIO = 1.2
#: Samples count as at most this many robust standard deviations, so that spikes weigh little.
CLIP_SPANS = 3.5
#: A sample nearer than this to its stretch's median is no spike, however quiet the stretch: lambda
#: is often logged in steps of 0.01, and the step beside the usual one is a value. [ln]
SPIKE_LN = 0.015
#: From so many later samples on, the middle of a stretch is as good as the true one. [1]
FEW_LATER = 16
#: Longest stretch of time over which samples are taken to be correlated. [s]
MEMORY_S = 3.0
#: Change inside a hold, in standard errors and in ln(lambda), beyond which its head is dropped.
DRIFT_SPANS, DRIFT_LN = 3.0, 0.003


@dataclass(frozen=True)
class Settling:
    """How long after the start of a stretch the mixture still moves.

    Parameters
    ----------
    settle_s
        Time taken off each stretch. [s]
    source
        "log", "setup" or "default".
    why
        A sentence for people.
    """

    settle_s: float
    source: str
    why: str


def number_stretches(
    is_usable: Mask, time_s: Floats, *, max_gap_s: float, is_joined: Mask | None = None
) -> npt.NDArray[np.int64]:
    """Number the unbroken runs of usable samples from 1; 0 outside.

    Parameters
    ----------
    is_usable
        Steady, warm and fuelled samples, shape (n,).
    time_s
        Their times. [s]
    max_gap_s
        A longer pause ends a stretch. [s]
    is_joined
        Samples that belong to one place with the one before, shape (n,); None: all of them.

    Examples
    --------
    >>> number_stretches(np.array([True, True, False, True]), np.arange(4.0), max_gap_s=2.0)
    array([1, 1, 0, 2])
    """
    before = np.concatenate([[False], is_usable[:-1]])
    pause = np.concatenate([[True], np.diff(time_s) > max_gap_s])
    apart = pause if is_joined is None else pause | ~is_joined
    starts = is_usable & (~before | apart)
    return np.where(is_usable, np.cumsum(starts), 0)


def since_start_s(stretch: npt.NDArray[np.int64], time_s: Floats) -> Floats:
    """Time since the first sample of each sample's stretch, shape (n,). [s]"""
    first = pd.Series(time_s).groupby(stretch).transform("min").to_numpy(dtype=float)
    return np.asarray(time_s - first)


def find_settling(
    need_ln: Floats,
    stretch: npt.NDArray[np.int64],
    time_s: Floats,
    *,
    lag_s: float,
    interval_s: float,
    settings: SteadySettings,
) -> Settling:
    """Find the settling time from the spread of all stretches' heads against their tails.

    Parameters
    ----------
    need_ln
        ln of what each sample needs, nan where it has no value. [1]
    stretch
        Number of each sample's stretch, 0 outside.
    time_s
        Times. [s]
    lag_s
        The sensor's time constant; at least three of them are taken off (95 % of a step). [s]
    interval_s
        Median time between samples. [s]
    settings
        Default, longest and given settling time.

    Returns
    -------
    Settling
        The earliest time after which the samples scatter about their stretch's later median no
        more than the later samples do.
    """
    if settings.settle_s is not None:
        return Settling(settings.settle_s, "setup", "given by the setup")
    age_s = since_start_s(stretch, time_s)
    frame = pd.DataFrame({"stretch": stretch, "age_s": age_s, "need": need_ln})
    frame = frame[(frame["stretch"] > 0) & frame["need"].notna()]
    length_s = frame.groupby("stretch")["age_s"].transform("max")
    frame = frame[length_s >= settings.min_hold_s + settings.default_settle_s]
    if frame["stretch"].nunique() < MIN_STRETCHES:
        count = frame["stretch"].nunique()
        return Settling(
            settings.default_settle_s, "default", f"only {count} long stretches in the log"
        )
    is_late = frame["age_s"] >= np.maximum(0.5 * length_s[frame.index], settings.default_settle_s)
    middle = frame["need"].where(is_late).groupby(frame["stretch"]).transform("median")
    gap = (frame["need"] - middle).abs()
    limit = CLIP_SPANS * 1.4826 * float(gap[is_late].median())
    square = gap.clip(upper=max(limit, 1e-9)) ** 2 / _nearness(is_late, frame["stretch"])
    reference = float(square[is_late].mean())
    step_s = max(0.25, interval_s)
    bins = (frame["age_s"] / step_s).astype(int)
    early = bins * step_s < settings.max_settle_s
    spread = square[early].groupby(bins[early]).mean()
    restless = spread.index.to_numpy()[spread.to_numpy() > SETTLED_RATIO**2 * reference]
    settle_s = _end_of_run(restless) * step_s
    settle_s = min(max(settle_s, 3.0 * lag_s, settings.min_settle_s), settings.max_settle_s)
    return Settling(
        settle_s, "log", f"from the spread of {frame['stretch'].nunique()} stretches after moves"
    )


def _nearness(is_late: pd.Series[bool], stretch: pd.Series[int]) -> Floats:
    """How much nearer to a stretch's later middle samples lie than to the true one; variances.

    Those that the middle was taken from lie nearer, the others farther off, as 1 - 1/n to 1 + 1/n.
    With the five later samples of a hold at one a second that alone would look restless.
    """
    n = is_late.groupby(stretch).transform("sum").clip(lower=2).to_numpy(dtype=float)
    share = np.where(n < FEW_LATER, 1.0 / n, 0.0)
    return np.where(is_late, 1.0 - share, 1.0 + share)


def _end_of_run(restless: npt.NDArray[np.int64]) -> int:
    """Bins until the restless ones from the start have ended, one quiet bin between forgiven."""
    end = 0
    for index in restless:
        if index > end + 1:
            break
        end = int(index) + 1
    return end


#: What may become of a sample of a stretch, by number; 0 lies outside of all stretches.
OUTCOME_WORDS = (
    "",
    "settling",
    "no lambda",
    "short hold",
    "sensor at its stop",
    "spike",
    "used",
)
_SETTLING, _NO_LAMBDA, _SHORT, _AT_STOP, _SPIKE, USED = range(1, 7)
Codes = npt.NDArray[np.int8]
Rows = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class HoldNoise:
    """How the samples of a log's holds scatter, all its holds together.

    Parameters
    ----------
    spike_floor
        No stretch is taken for quieter than this when spikes are looked for. [ln]
    correlation
        Autocorrelation of samples within holds at lags 1, 2, ... [1]
    variance
        Variance of samples within holds, on which each hold's own leans. [ln^2]
    tail
        What moves leave in the holds; None where none is likely.
    """

    spike_floor: float
    correlation: Floats
    variance: float
    tail: Tail | None = None


@dataclass(frozen=True, eq=False)
class Stretches:
    """Samples as the reduction needs them, one value per row of a time line.

    Parameters
    ----------
    time_s, rpm, load, need_ln, target_lambda
        Time, operating point, ln of what each sample needs, nan without a value, and the wanted
        lambda. [s], [rpm], [load unit], [1], [lambda]
    stop
        0, 1 at the rich stop, 2 at the lean one.
    stretch
        Number of each sample's stretch, 0 outside.
    load_before
        Mean load of the stretch before the first; nan where there is none. [load unit]
    """

    time_s: Floats
    rpm: Floats
    load: Floats
    need_ln: Floats
    target_lambda: Floats
    stop: Codes
    stretch: npt.NDArray[np.int64]
    load_before: float = float("nan")


def reduce_stretches(
    line: Stretches,
    *,
    settle_s: float,
    interval_s: float,
    settings: SteadySettings,
    noise: HoldNoise | None = None,
) -> tuple[pd.DataFrame, Codes, HoldNoise | None]:
    """Reduce steady stretches to one row per hold.

    Parameters
    ----------
    line
        The samples.
    settle_s
        Settling time taken off each stretch. [s]
    interval_s
        Median time between samples. [s]
    settings
        Shortest hold and so on.
    noise
        What an earlier part of the log has shown; None finds it in these samples.

    Returns
    -------
    holds
        `HOLD_COLUMNS`, and those of `SHARED_ERRORS` where moves leave a tail; ``stop`` is "",
        "rich" or "lean", and such a hold's ``need_ln`` is a bound.
    fate
        What became of each sample, as positions in `OUTCOME_WORDS`.
    noise
        The noise in force, None without a hold.
    """
    fate = np.zeros(len(line.time_s), dtype=np.int8)
    inside = np.flatnonzero(line.stretch > 0)
    ages = _Ages.of(line, inside)
    rows = _settled(line, inside[ages.age_s[inside] >= settle_s], inside, fate)
    rows = _without_short(line, rows, fate, interval_s, settings)
    if not len(rows):
        return no_holds(), fate, noise
    free, stopped = _split_by_stop(line, rows, fate, settings)
    free = _without_drifting_heads(line, free, fate, settings)
    is_spike, floor = _is_spike(line, free, settings, noise)
    fate[free[is_spike]] = _SPIKE
    free = _without_short(line, free[~is_spike], fate, interval_s, settings)
    fate[free] = USED
    if noise is None:
        tail = _tail(line, ages, inside, max(settings.default_settle_s, 0.5 * settle_s))
    else:
        tail = noise.tail
    values, noise = _summary(line, free, interval_s, floor, noise)
    if tail is not None and noise is not None:
        values, noise = _without_tail(values, tail, line, ages, free), replace(noise, tail=tail)
    return _in_order_of_time(values, _censored(line, stopped)), fate, noise


def _settled(line: Stretches, settled: Rows, inside: Rows, fate: Codes) -> Rows:
    """Return the settled rows that have a value; note what becomes of the other rows."""
    fate[inside] = _SETTLING
    has_value = ~np.isnan(line.need_ln[settled])
    fate[settled[~has_value]] = _NO_LAMBDA
    return settled[has_value]


def _without_short(
    line: Stretches, rows: Rows, fate: Codes, interval_s: float, settings: SteadySettings
) -> Rows:
    """Leave out what is left of a stretch where that is too short for a hold."""
    is_long = _is_long(line, rows, interval_s, settings)
    fate[rows[~is_long]] = _SHORT
    return rows[is_long]


def _split_by_stop(
    line: Stretches, rows: Rows, fate: Codes, settings: SteadySettings
) -> tuple[Rows, Rows]:
    """Return the rows with a value, and those of holds in which a sensor or trim was at its stop.

    A row at its stop in a hold that is not is left out of both.
    """
    groups, at_stop = Groups.of(line.stretch[rows]), line.stop[rows] != 0
    is_censored = groups.spread(groups.total(at_stop) / groups.count > settings.censored_share)
    is_free = ~at_stop & ~is_censored
    fate[rows[~is_free]] = _AT_STOP
    return rows[is_free], rows[is_censored]


def _in_order_of_time(values: pd.DataFrame, bounds: pd.DataFrame) -> pd.DataFrame:
    """Put holds with a value and holds that are bounds together."""
    kept = [part for part in (values, bounds) if not part.empty]
    if not kept:
        return no_holds()
    if bounds.empty:
        return values  # in order of time as they are
    return pd.concat(kept).sort_values("start_s").reset_index(drop=True)


@dataclass(frozen=True, eq=False)
class _Ages:
    """How long after its stretch's start each row was logged, and the move that led there."""

    age_s: Floats  # shape (n,) [s]
    move: Floats  # move of load that led to the row's stretch, shape (n,) [load unit]

    @classmethod
    def of(cls, line: Stretches, inside: Rows) -> _Ages:
        """Spread over all rows; 0 outside of stretches and where no move is known."""
        age, move = np.zeros(len(line.time_s)), np.zeros(len(line.time_s))
        if len(inside):
            groups, time_s = Groups.of(line.stretch[inside]), line.time_s[inside]
            load = groups.mean(line.load[inside])
            age[inside] = time_s - groups.spread(groups.first(time_s))
            moves = np.diff(load, prepend=line.load_before)
            move[inside] = groups.spread(np.nan_to_num(moves))
        return cls(age, move)


def _tail(
    line: Stretches, ages: _Ages, inside: npt.NDArray[np.int64], from_s: float
) -> Tail | None:
    """Look for what moves leave in the stretches, from so long after their starts on."""
    is_value = np.isfinite(line.need_ln[inside]) & (line.stop[inside] == 0)
    rows = inside[is_value & (ages.age_s[inside] >= from_s)]
    groups = Groups.of(line.stretch[rows])
    return find_tail(groups, ages.age_s[rows], line.need_ln[rows], groups.first(ages.move[rows]))


def _without_tail(
    holds: pd.DataFrame, tail: Tail, line: Stretches, ages: _Ages, rows: npt.NDArray[np.int64]
) -> pd.DataFrame:
    """Take the tail out of the holds' means, and say how sure that is."""
    if holds.empty:
        return holds
    groups = Groups.of(line.stretch[rows])
    left, alike, by_move = tail.left_in(groups, ages.age_s[rows], groups.first(ages.move[rows]))
    need = holds["need_ln"].to_numpy(dtype=float) - left
    return holds.assign(need_ln=need, tail_ln=left, tail_se=alike, tail_move_se=by_move)


#: Errors that the holds of a log have in common where its moves leave a tail in them: alike in all,
#: and with the move that led there, whose sign it has. What was taken out is ``tail_ln``. [ln]
SHARED_ERRORS = ("tail_se", "tail_move_se")

HOLD_COLUMNS = (
    "start_s",
    "end_s",
    "rpm",
    "load",
    "samples",
    "effective_n",
    "need_ln",
    "within_se",
    "target_lambda",
    "stop",
)


def no_holds() -> pd.DataFrame:
    """Return the table of holds without a row."""
    frame = pd.DataFrame({name: np.empty(0) for name in HOLD_COLUMNS})
    frame["stop"] = frame["stop"].astype(object)
    return frame


def _is_long(
    line: Stretches, rows: npt.NDArray[np.int64], interval_s: float, settings: SteadySettings
) -> Mask:
    groups, time_s = Groups.of(line.stretch[rows]), line.time_s[rows]
    length_s = groups.last(time_s) - groups.first(time_s) + interval_s
    ok = (length_s >= settings.min_hold_s - 1e-9) & (groups.count >= settings.min_samples)
    return np.asarray(groups.spread(ok), dtype=bool)


def _is_spike(
    line: Stretches,
    rows: npt.NDArray[np.int64],
    settings: SteadySettings,
    noise: HoldNoise | None,
) -> tuple[Mask, float]:
    if not len(rows):
        return np.zeros(0, dtype=bool), noise.spike_floor if noise else 0.0
    groups, need = Groups.of(line.stretch[rows]), line.need_ln[rows]
    gap = np.abs(need - groups.spread(groups.median(need)))
    scale = 1.4826 * groups.median(gap)
    floor = noise.spike_floor if noise else 0.25 * float(np.median(groups.spread(scale)))
    limit = np.maximum(settings.outlier_spans * np.maximum(scale, floor), SPIKE_LN)
    return np.asarray(gap > groups.spread(limit)), floor


def _without_drifting_heads(
    line: Stretches, rows: npt.NDArray[np.int64], fate: Codes, settings: SteadySettings
) -> npt.NDArray[np.int64]:
    """Drop the first third of holds whose head is significantly off the rest; twice at most."""
    looked_at = rows
    for _ in range(2):
        if not len(looked_at):
            break
        groups = Groups.of(line.stretch[looked_at])
        is_drifting, is_head = _drifts(groups, line, looked_at, settings)
        drop = is_head & groups.spread(is_drifting)
        if not drop.any():
            break
        dropped = looked_at[drop]
        fate[dropped] = _SETTLING
        rows = rows[~np.isin(rows, dropped, assume_unique=True)]
        # a hold that kept its head once would keep it again
        looked_at = looked_at[np.asarray(groups.spread(is_drifting), dtype=bool) & ~drop]
    return rows


def _drifts(
    groups: Groups, line: Stretches, rows: npt.NDArray[np.int64], settings: SteadySettings
) -> tuple[Mask, Mask]:
    """Tell which holds' heads are off, and which rows are heads."""
    time_s, need = line.time_s[rows], line.need_ln[rows]
    first, last = groups.first(time_s), groups.last(time_s)
    is_head = time_s < groups.spread(first + (last - first) / 3.0)
    heads, tails = groups.within(is_head), groups.within(~is_head)
    rest = need[~is_head]
    middle = tails.median(rest)
    apart = np.abs(heads.median(need[is_head]) - middle)
    scale = 1.4826 * tails.median(np.abs(rest - tails.spread(middle)))
    # a head of n samples is worth about sqrt(n) of them when neighbours are correlated
    worth = np.maximum(heads.count, 1) ** 0.5
    is_off = (apart > DRIFT_SPANS * scale / worth**0.5) & (apart > DRIFT_LN)
    return is_off & (tails.count >= settings.min_samples), is_head


def _summary(
    line: Stretches,
    rows: npt.NDArray[np.int64],
    interval_s: float,
    floor: float,
    noise: HoldNoise | None,
) -> tuple[pd.DataFrame, HoldNoise | None]:
    """One row per hold; the standard error counts correlated samples for what they are worth."""
    if not len(rows):
        return no_holds(), noise
    stretch, time_s = line.stretch[rows], line.time_s[rows]
    groups = Groups.of(stretch)
    columns = ("rpm", "load", "need_ln", "target_lambda")
    work = {name: getattr(line, name)[rows] for name in columns}
    mean = {name: groups.mean(values) for name, values in work.items()}
    residual = work["need_ln"] - groups.spread(mean["need_ln"])
    square = residual**2
    if noise is None:
        memory = max(1, round(MEMORY_S / interval_s))
        rho = pooled_autocorrelation(pd.Series(residual), pd.Series(stretch), max_lag=memory)
        common = float(square.sum() / max(len(residual) - len(groups.count), 1))
        noise = HoldNoise(floor, rho, common)
    worth = _worths(groups.count, noise.correlation)
    # each hold's variance leans on the log's common one, as if by five samples more
    variance = (groups.sum(square) + 5.0 * noise.variance) / (groups.count - 1 + 5.0)
    holds = pd.DataFrame(
        {
            "start_s": groups.first(time_s),
            "end_s": groups.last(time_s),
            "rpm": mean["rpm"],
            "load": mean["load"],
            "samples": groups.count.astype(float),
            "effective_n": worth,
            "need_ln": mean["need_ln"],
            "within_se": np.sqrt(variance / worth),
            "target_lambda": mean["target_lambda"],
            "stop": "",
        }
    )
    return holds, noise


def _worths(counts: npt.NDArray[np.int64], correlation: Floats) -> Floats:
    """Return what each hold's samples are worth; holds of one length share the sum."""
    lengths, place = np.unique(counts, return_inverse=True)
    known = tuple(correlation.tolist())
    worth = np.array([_worth(int(n), known) for n in lengths])
    return np.asarray(worth[place])


@lru_cache(maxsize=4096)
def _worth(count: int, correlation: tuple[float, ...]) -> float:
    return effective_sample_size(count, correlation)


def _censored(line: Stretches, rows: npt.NDArray[np.int64]) -> pd.DataFrame:
    """Holds at the sensor's stop: a bound in a known direction, never a value."""
    if not len(rows):
        return no_holds()
    columns = ("time_s", "rpm", "load", "need_ln", "target_lambda")
    work = pd.DataFrame({name: getattr(line, name)[rows] for name in columns}, copy=False)
    stop = pd.Series(line.stop[rows])
    number = line.stretch[rows]
    groups = work.groupby(number)
    is_lean = stop.eq(2).groupby(number).sum()
    is_rich = stop.eq(1).groupby(number).sum()
    at_stop = work["need_ln"].where(stop.ne(0))
    return pd.DataFrame(
        {
            "start_s": groups["time_s"].min(),
            "end_s": groups["time_s"].max(),
            "rpm": groups["rpm"].mean(),
            "load": groups["load"].mean(),
            "samples": groups.size().astype(float),
            "effective_n": 0.0,
            "need_ln": at_stop.groupby(number).median(),
            "within_se": np.nan,
            "target_lambda": groups["target_lambda"].mean(),
            "stop": np.where(is_lean >= is_rich, "lean", "rich"),
        }
    )


def smooth_mask(mask: Mask, *, rows: int = 5) -> Mask:
    """Median of a mask over a few rows, so that a lone spike does not break a stretch."""
    if mask.all():
        return mask.copy()
    half = rows // 2
    around = np.pad(mask.astype(np.uint8), half, mode="edge")
    count = np.zeros(len(mask), dtype=np.uint8)
    for shift in range(rows):
        count += around[shift : shift + len(mask)]
    return np.asarray(count > half)
