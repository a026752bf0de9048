"""Find the full-load pulls in a log.

Full load is determined from the pedal, else from the throttle, else from load near its highest. A
wide-open stretch is split where speed turns back (gear change, limiter). A part is a pull if it is
long enough, covers enough speed, has enough samples, and its speed moves for most of the time: a
staircase of steady holds does not count.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.ndimage import median_filter
from scipy.signal import find_peaks

from tuneassist.grid import Floats
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.settings import RunSettings

Mask = npt.NDArray[np.bool_]

ROW_STATES = ("no speed or time", "not wide open", "wide open, no pull", "cut off", "pull")
"""States of a log row."""
_NOT_OPEN, _WIDE_OPEN, _CUT_OFF, _PULL = 1, 2, 3, 4


@dataclass(frozen=True, eq=False)
class Pull:
    """One full-load pull.

    Parameters
    ----------
    log
        Name of the log.
    number
        1, 2, ... in the order of the log.
    samples
        The log's rows of this pull without its ends.
    direction
        "rising" or "falling" speed.
    full_load_channel
        Column from which full load was determined.
    """

    log: str
    number: int
    samples: pd.DataFrame
    direction: Literal["rising", "falling"]
    full_load_channel: str

    @property
    def name(self) -> str:
        """Log and number as text."""
        return f"{self.log}, pull {self.number}"

    @property
    def rpm_range(self) -> tuple[float, float]:
        """Lowest and highest speed. [rpm]"""
        rpm = self.samples["rpm"]
        return float(rpm.min()), float(rpm.max())

    @property
    def duration_s(self) -> float:
        """Time from first to last sample. [s]"""
        time = self.samples["time_s"]
        return float(time.iloc[-1] - time.iloc[0])


@dataclass(frozen=True, eq=False)
class PullsFound:
    """The pulls of one log, and the state of each of its rows.

    Parameters
    ----------
    pulls
        In the order of the log.
    row_states
        One word per row of the log (by position where its index repeats): "no speed or time",
        "not wide open", "wide open, no pull", "cut off" (the ends of a pull), "pull".
    refusals
        One for each wide-open stretch without a pull, or one for the log.
    notes
        How full load was determined.
    """

    pulls: tuple[Pull, ...]
    row_states: pd.Series
    refusals: tuple[Refusal, ...] = ()
    notes: tuple[str, ...] = ()


def find_pulls(
    samples: pd.DataFrame, *, name: str = "log", settings: RunSettings | None = None
) -> PullsFound:
    """Find the full-load pulls of a log.

    Parameters
    ----------
    samples
        Columns ``time_s`` and ``rpm``, and one of ``pedal_pct``, ``throttle_pct`` and ``load``.
    name
        The log's name, used in messages.
    settings
        Thresholds.

    Returns
    -------
    PullsFound
        A log without pulls has refusals; no error is raised.
    """
    settings = settings or RunSettings()
    if not samples.index.is_unique:
        samples = samples.reset_index(drop=True)
    row_state = np.zeros(len(samples), dtype=np.int8)
    missing = [column for column in ("time_s", "rpm") if column not in samples]
    if missing:
        refusal = Refusal("channel missing", f"{name} has no {' and no '.join(missing)}.")
        return PullsFound((), _row_states(row_state, samples.index), (refusal,))
    is_known = (samples["time_s"].notna() & samples["rpm"].notna()).to_numpy()
    usable = samples if is_known.all() else samples[is_known]
    full_load = _wide_open(usable, settings)
    if isinstance(full_load, Refusal):
        return PullsFound((), _row_states(row_state, samples.index), (full_load,))
    is_open, full_load_channel, notes = full_load
    row_state[is_known] = np.where(is_open, _WIDE_OPEN, _NOT_OPEN).astype(np.int8)
    pulls: list[Pull] = []
    refusals: list[Refusal] = []
    for stretch in _stretches(usable, is_open, settings):
        found = _pulls_of(stretch, settings)
        if isinstance(found, Refusal):
            refusals.append(found)
            continue
        for whole, kept in found:
            row_state[samples.index.get_indexer(whole.index)] = _CUT_OFF
            row_state[samples.index.get_indexer(kept.index)] = _PULL
            rpm = kept["rpm"].to_numpy()
            direction: Literal["rising", "falling"] = "rising" if rpm[-1] > rpm[0] else "falling"
            pulls.append(Pull(name, len(pulls) + 1, kept, direction, full_load_channel))
    if not pulls and not refusals:
        refusals.append(_never_open(full_load_channel, name, settings))
    return PullsFound(tuple(pulls), _row_states(row_state, samples.index), tuple(refusals), notes)


def _row_states(row_state: npt.NDArray[np.int8], index: pd.Index) -> pd.Series:
    return pd.Series(pd.Categorical.from_codes(row_state, pd.Index(ROW_STATES)), index=index)


def _never_open(full_load_channel: str, name: str, settings: RunSettings) -> Refusal:
    return Refusal(
        "never wide open",
        f"No sample of {name} is at full load according to {full_load_channel}.",
        MappingProxyType({"wide_open_pct": settings.wide_open_pct}),
        name,
    )


def _wide_open(
    samples: pd.DataFrame, settings: RunSettings
) -> tuple[Mask, str, tuple[str, ...]] | Refusal:
    """Return which samples are at full load, from which column, and notes."""
    notes: list[str] = []
    for column in ("pedal_pct", "throttle_pct"):
        if column not in samples or samples[column].notna().sum() < settings.min_samples:
            continue
        is_open = last_known(samples, column, settings.max_gap_s) >= settings.wide_open_pct
        has_load = "load" in samples and samples["load"].notna().any()
        if column == "throttle_pct" and has_load and is_open.mean() > settings.flap_share:
            notes.append(
                f"The throttle is open for {100 * is_open.mean():.0f} % of the log: it was "
                "taken for a flap that does not follow the pedal, and load was used instead."
            )
            continue
        return is_open, column, tuple(notes)
    if "load" not in samples or samples["load"].notna().sum() < settings.min_samples:
        return Refusal(
            "full load not told",
            "Neither pedal, throttle nor load is logged: log one of them to identify full load.",
        )
    notes.append("Full load was determined from load near its highest: log the pedal to be sure.")
    return _near_highest_load(samples, settings), "load", tuple(notes)


def _near_highest_load(samples: pd.DataFrame, settings: RunSettings) -> Mask:
    column = "load"
    if (samples["load"] < 0).any() and "manifold_pressure_kpa" in samples:
        column = "manifold_pressure_kpa"  # the shares need absolute pressure
    load = last_known(samples, column, settings.max_gap_s)
    smoothed = median_filter(np.nan_to_num(load, nan=0.0), size=5, mode="nearest")
    bins = (samples["rpm"].to_numpy() // settings.load_bin_rpm).astype(int)
    nearby = pd.Series(smoothed).groupby(bins).transform("max").to_numpy()
    is_near = (smoothed >= settings.near_full_load_share * nearby) & np.isfinite(load)
    return np.asarray(is_near & (smoothed >= settings.least_load_share * smoothed.max()))


def last_known(samples: pd.DataFrame, column: str, max_gap_s: float) -> Floats:
    """Carry a channel's last value over blanks for at most ``max_gap_s``.

    Loggers with mixed rates leave blanks between a slow channel's values.
    """
    values, time = samples[column], samples["time_s"]
    age = time - time.where(values.notna()).ffill()
    return np.asarray(values.ffill().where(age <= max_gap_s).to_numpy(dtype=float))


def _stretches(samples: pd.DataFrame, is_open: Mask, settings: RunSettings) -> list[pd.DataFrame]:
    """Split the wide-open samples into unbroken stretches."""
    if not is_open.any():
        return []
    step = np.diff(samples["time_s"].to_numpy(dtype=float))
    forward = step[step > 0]  # stamps in whole seconds repeat
    usual = float(np.median(forward)) if forward.size else 0.0
    pause = max(settings.max_gap_s, 5.0 * usual)
    breaks = np.concatenate([[True], (step > pause) | (step < 0)])
    before = np.concatenate([[False], is_open[:-1]])
    label = np.cumsum(is_open & (~before | breaks))[is_open]
    return [part for _, part in samples[is_open].groupby(label)]


def _pulls_of(
    stretch: pd.DataFrame, settings: RunSettings
) -> list[tuple[pd.DataFrame, pd.DataFrame]] | Refusal:
    """Split one stretch where its speed turns back; return the parts that are pulls."""
    smoothed = median_filter(stretch["rpm"].to_numpy(dtype=float), size=5, mode="nearest")
    tops, _ = find_peaks(smoothed, prominence=settings.turn_rpm)
    bottoms, _ = find_peaks(-smoothed, prominence=settings.turn_rpm)
    ends = np.unique(np.concatenate([[0], tops, bottoms, [len(smoothed) - 1]]))
    opened_s = float(stretch["time_s"].iloc[0])
    found = []
    for first, last in pairwise(ends):
        part = stretch.iloc[first : last + 1]
        kept = _without_ends(part, smoothed[first : last + 1], opened_s, settings)
        if len(kept) and _shortfall(kept, settings) is None:
            found.append((part, kept))
    if found:
        return found
    return _refused(stretch, settings)


def _without_ends(
    part: pd.DataFrame, smoothed: Floats, opened_s: float, settings: RunSettings
) -> pd.DataFrame:
    """Cut off the ends where speed is constant, and the manifold filling after opening."""
    sign = 1.0 if smoothed[-1] >= smoothed[0] else -1.0
    signed_rpm = sign * smoothed
    span = float(signed_rpm.max() - signed_rpm.min())
    below = np.flatnonzero(signed_rpm <= signed_rpm.min() + settings.edge_share * span)
    first = int(below[-1]) if below.size else 0
    above = np.flatnonzero(signed_rpm >= signed_rpm.max() - settings.edge_share * span)
    above = above[above > first]
    last = int(above[0]) if above.size else len(signed_rpm) - 1
    kept = part.iloc[first : last + 1]
    return kept[kept["time_s"] - opened_s >= settings.settle_after_open_s]


def _shortfall(part: pd.DataFrame, settings: RunSettings) -> str | None:
    """Name the first requirement that a part fails; None for a pull."""
    time, rpm = part["time_s"], part["rpm"]
    if float(time.iloc[-1] - time.iloc[0]) < settings.min_duration_s:
        return "stab"
    if float(rpm.max() - rpm.min()) < settings.min_span_rpm:
        return "narrow"
    if len(part) < settings.min_samples:
        return "sparse"
    return "stands still" if rising_share(part, settings) < settings.rising_share else None


def rising_share(part: pd.DataFrame, settings: RunSettings) -> float:
    """Share of the samples at which speed changes at a rate comparable to the mean. [1]"""
    time = part["time_s"].to_numpy(dtype=float)
    smoothed = median_filter(part["rpm"].to_numpy(dtype=float), size=5, mode="nearest")
    half = 0.5 * settings.rise_window_s
    first, last = np.maximum(time - half, time[0]), np.minimum(time + half, time[-1])
    gained = np.interp(last, time, smoothed) - np.interp(first, time, smoothed)
    mean_rate = (smoothed[-1] - smoothed[0]) / (time[-1] - time[0])
    wanted = settings.rise_rate_share * abs(mean_rate) * (last - first)
    return float(np.mean(np.sign(mean_rate) * gained >= wanted))


def _refused(stretch: pd.DataFrame, settings: RunSettings) -> Refusal:
    name = _shortfall(stretch, settings) or "turns back"
    time, rpm = stretch["time_s"], stretch["rpm"]
    numbers = {
        "start_s": float(time.iloc[0]),
        "duration_s": float(time.iloc[-1] - time.iloc[0]),
        "span_rpm": float(rpm.max() - rpm.min()),
        "samples": float(len(stretch)),
    }
    words = {
        "stab": f"shorter than {settings.min_duration_s:g} s",
        "narrow": f"covers less than {settings.min_span_rpm:g} rpm",
        "sparse": f"fewer than {settings.min_samples} samples",
        "stands still": f"speed rises for less than {100 * settings.rising_share:.0f} % of the "
        "time, as in steady holds",
        "turns back": f"no part lasts {settings.min_duration_s:g} s and covers "
        f"{settings.min_span_rpm:g} rpm without the speed turning back",
    }
    return Refusal(
        name,
        f"Wide open at {numbers['start_s']:.1f} s, from {rpm.min():.0f} to {rpm.max():.0f} rpm in "
        f"{numbers['duration_s']:.1f} s: not a pull, {words[name]}.",
        MappingProxyType(numbers),
    )
