"""From steady samples to holds: settling taken off by evidence, one robust value per hold.

One hold is one stretch of steady samples. Its samples are correlated, so that the hold and not the
sample is the unit of evidence; its own standard error counts the samples for what they are worth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import ndimage

from tuneassist.evidence.statistics import effective_sample_size, pooled_autocorrelation
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


def number_stretches(is_usable: Mask, time_s: Floats, *, max_gap_s: float) -> npt.NDArray[np.int64]:
    """Number the unbroken runs of usable samples from 1; 0 outside.

    Parameters
    ----------
    is_usable
        Steady, warm and fuelled samples, shape (n,).
    time_s
        Their times. [s]
    max_gap_s
        A longer pause ends a stretch. [s]

    Examples
    --------
    >>> number_stretches(np.array([True, True, False, True]), np.arange(4.0), max_gap_s=2.0)
    array([1, 1, 0, 2])
    """
    before = np.concatenate([[False], is_usable[:-1]])
    pause = np.concatenate([[True], np.diff(time_s) > max_gap_s])
    starts = is_usable & (~before | pause)
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
    square = gap.clip(upper=max(limit, 1e-9)) ** 2
    reference = float(square[is_late].mean())
    step_s = max(0.25, float(np.median(np.diff(time_s))))
    bins = (frame["age_s"] / step_s).astype(int)
    early = bins * step_s < settings.max_settle_s
    spread = square[early].groupby(bins[early]).mean()
    restless = spread.index.to_numpy()[spread.to_numpy() > SETTLED_RATIO**2 * reference]
    settle_s = _end_of_run(restless) * step_s
    settle_s = min(max(settle_s, 3.0 * lag_s, settings.min_settle_s), settings.max_settle_s)
    return Settling(
        settle_s, "log", f"from the spread of {frame['stretch'].nunique()} stretches after moves"
    )


def _end_of_run(restless: npt.NDArray[np.int64]) -> int:
    """Bins until the restless ones from the start have ended, one quiet bin between forgiven."""
    end = 0
    for index in restless:
        if index > end + 1:
            break
        end = int(index) + 1
    return end


def reduce_to_holds(
    line: pd.DataFrame,
    *,
    stretch: npt.NDArray[np.int64],
    settle_s: float,
    interval_s: float,
    settings: SteadySettings,
) -> tuple[pd.DataFrame, pd.Series]:
    """Reduce steady stretches to one row per hold.

    Parameters
    ----------
    line
        Samples with ``time_s, rpm, load, need_ln, target_lambda, is_at_stop``.
    stretch
        Number of each sample's stretch, 0 outside.
    settle_s
        Settling time taken off each stretch. [s]
    interval_s
        Median time between samples. [s]
    settings
        Shortest hold and so on.

    Returns
    -------
    holds
        ``start_s, end_s, rpm, load, samples, effective_n, need_ln, within_se, target_lambda,
        stop`` - stop is "", "rich" or "lean", and such a hold's ``need_ln`` is a bound.
    fate
        What became of each sample: "used", "settling", "short hold", "spike", "sensor at its stop",
        "no lambda" or "" outside stretches.
    """
    time_s = line["time_s"].to_numpy(dtype=float)
    fate = pd.Series("", index=line.index, dtype=object)
    inside = stretch > 0
    fate[inside] = "settling"
    settled = inside & (since_start_s(stretch, time_s) >= settle_s)
    has_value = line["need_ln"].notna().to_numpy()
    fate[settled & ~has_value] = "no lambda"
    work = line.loc[settled & has_value].copy()
    work["stretch"] = stretch[settled & has_value]
    if work.empty:
        return _no_holds(), fate
    is_long = _is_long(work, interval_s, settings)
    fate.loc[work.index[~is_long]] = "short hold"
    work = work[is_long]
    if work.empty:
        return _no_holds(), fate
    stop_share = work["is_at_stop"].ne("").groupby(work["stretch"]).transform("mean")
    is_censored = stop_share > settings.censored_share
    at_stop = work["is_at_stop"].ne("") & ~is_censored
    fate.loc[work.index[at_stop]] = "sensor at its stop"
    free = work[~at_stop & ~is_censored]
    free = _without_drifting_heads(free, fate, settings)
    is_spike = _is_spike(free, settings)
    fate.loc[free.index[is_spike]] = "spike"
    free = free[~is_spike]
    fate.loc[free.index] = "short hold"
    free = free[_is_long(free, interval_s, settings)] if not free.empty else free
    fate.loc[free.index] = "used"
    fate.loc[work.index[is_censored]] = "sensor at its stop"
    parts = [_summary(free, interval_s), _censored(work[is_censored])]
    holds = pd.concat([p for p in parts if not p.empty]) if any(len(p) for p in parts) else None
    if holds is None:
        return _no_holds(), fate
    return holds.sort_values("start_s").reset_index(drop=True), fate


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


def _no_holds() -> pd.DataFrame:
    frame = pd.DataFrame({name: np.empty(0) for name in HOLD_COLUMNS})
    frame["stop"] = frame["stop"].astype(object)
    return frame


def _is_long(work: pd.DataFrame, interval_s: float, settings: SteadySettings) -> Mask:
    times = work.groupby("stretch")["time_s"]
    length_s = times.transform("max") - times.transform("min") + interval_s
    count = times.transform("size")
    ok = (length_s >= settings.min_hold_s - 1e-9) & (count >= settings.min_samples)
    return np.asarray(ok.to_numpy(dtype=bool))


def _is_spike(work: pd.DataFrame, settings: SteadySettings) -> Mask:
    if work.empty:
        return np.zeros(0, dtype=bool)
    needs = work.groupby("stretch")["need_ln"]
    gap = (work["need_ln"] - needs.transform("median")).abs()
    scale = 1.4826 * gap.groupby(work["stretch"]).transform("median")
    floor = 0.25 * float(scale.median())
    limit = (settings.outlier_spans * scale.clip(lower=floor)).clip(lower=SPIKE_LN)
    return np.asarray((gap > limit).to_numpy(dtype=bool))


def _without_drifting_heads(
    work: pd.DataFrame, fate: pd.Series, settings: SteadySettings
) -> pd.DataFrame:
    """Drop the first third of holds whose head is significantly off the rest; twice at most."""
    for _ in range(2):
        if work.empty:
            return work
        times = work.groupby("stretch")["time_s"]
        first, last = times.transform("min"), times.transform("max")
        is_head = work["time_s"] < first + (last - first) / 3.0
        head = work["need_ln"].where(is_head).groupby(work["stretch"])
        tail = work["need_ln"].where(~is_head).groupby(work["stretch"])
        apart = (head.transform("median") - tail.transform("median")).abs()
        deviation = (work["need_ln"] - tail.transform("median")).abs()
        scale = 1.4826 * deviation.where(~is_head).groupby(work["stretch"]).transform("median")
        # a head of n samples is worth about sqrt(n) of them when neighbours are correlated
        worth = head.transform("count").clip(lower=1) ** 0.5
        is_off = (apart > DRIFT_SPANS * scale / worth**0.5) & (apart > DRIFT_LN)
        drop = is_head & is_off & (tail.transform("count") >= settings.min_samples)
        if not drop.any():
            return work
        fate.loc[work.index[drop]] = "settling"
        work = work[~drop]
    return work


def _summary(work: pd.DataFrame, interval_s: float) -> pd.DataFrame:
    """One row per hold; the standard error counts correlated samples for what they are worth."""
    if work.empty:
        return _no_holds()
    groups = work.groupby("stretch")
    residual = work["need_ln"] - groups["need_ln"].transform("mean")
    memory = max(1, round(MEMORY_S / interval_s))
    rho = pooled_autocorrelation(residual, work["stretch"], max_lag=memory)
    samples = groups.size()
    worth = samples.map(lambda n: effective_sample_size(int(n), rho))
    # each hold's variance leans on the log's common one, as if by five samples more
    variance = (residual**2).groupby(work["stretch"]).sum()
    common = float((residual**2).sum() / max(len(residual) - len(samples), 1))
    variance = (variance + 5.0 * common) / (samples - 1 + 5.0)
    return pd.DataFrame(
        {
            "start_s": groups["time_s"].min(),
            "end_s": groups["time_s"].max(),
            "rpm": groups["rpm"].mean(),
            "load": groups["load"].mean(),
            "samples": samples.astype(float),
            "effective_n": worth,
            "need_ln": groups["need_ln"].mean(),
            "within_se": np.sqrt(variance / worth),
            "target_lambda": groups["target_lambda"].mean(),
            "stop": "",
        }
    )


def _censored(work: pd.DataFrame) -> pd.DataFrame:
    """Holds at the sensor's stop: a bound in a known direction, never a value."""
    if work.empty:
        return _no_holds()
    groups = work.groupby("stretch")
    is_lean = work["is_at_stop"].eq("lean").groupby(work["stretch"]).sum()
    is_rich = work["is_at_stop"].eq("rich").groupby(work["stretch"]).sum()
    at_stop = work["need_ln"].where(work["is_at_stop"].ne(""))
    return pd.DataFrame(
        {
            "start_s": groups["time_s"].min(),
            "end_s": groups["time_s"].max(),
            "rpm": groups["rpm"].mean(),
            "load": groups["load"].mean(),
            "samples": groups.size().astype(float),
            "effective_n": 0.0,
            "need_ln": at_stop.groupby(work["stretch"]).median(),
            "within_se": np.nan,
            "target_lambda": groups["target_lambda"].mean(),
            "stop": np.where(is_lean >= is_rich, "lean", "rich"),
        }
    )


def smooth_mask(mask: Mask, *, rows: int = 5) -> Mask:
    """Median of a mask over a few rows, so that a lone spike does not break a stretch."""
    return np.asarray(ndimage.median_filter(mask.astype(np.uint8), size=rows, mode="nearest") > 0)
