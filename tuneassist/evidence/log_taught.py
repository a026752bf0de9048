"""What one log teaches, in figures for people: transients, drift, and the minutes that count."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tuneassist.evidence.lattice import DRIFT_LN, DRIFT_SE, LatticeFit
from tuneassist.evidence.map_fit import FittedBlocks
from tuneassist.evidence.moving_blocks import TRANSIENT_COLUMNS, TRANSIENTS_S
from tuneassist.evidence.need import scatter_scale, surface_scale
from tuneassist.grid import Floats

#: The change of load or speed of which the effect is told. [%]
CHANGE_PCT = 10.0
#: Its effect is told as the mean over this time: what an eye sees in a plot of the log. [s]
SHOWN_S = 1.0
#: Span of a 95 % interval in standard errors. [1]
SPAN_95 = 1.96
#: Times at which a fading effect is followed. [s]
FOLLOWED_S = np.linspace(0.0, 10.0, 501)
#: A block that kept less of its weight is an outlier, and teaches next to nothing. [1]
TAKES_PART = 0.5


@dataclass(frozen=True)
class QuickChange:
    """What a quick change of load or speed does to lambda beside the surface.

    Parameters
    ----------
    signal
        "load" or "speed".
    change_pct
        The change. [%]
    reads_pct, half_width_pct
        Mean error of lambda over the first `SHOWN_S`, + is leaner, and half of its 95 % interval.
        [%]
    fades_s
        Time in which it fades; nan where no effect is seen. [s]
    """

    signal: str
    change_pct: float
    reads_pct: float
    half_width_pct: float
    fades_s: float

    @property
    def is_seen(self) -> bool:
        """Whether the interval excludes no effect."""
        return abs(self.reads_pct) > self.half_width_pct


@dataclass(frozen=True)
class LogTaught:
    """What one log teaches, by a fit of that log alone.

    Parameters
    ----------
    changes
        Effects of quick changes; empty where nothing moved, or nothing could be fitted.
    transient_share
        Share of the moving samples' scatter about the surface that the transients explain; nan
        without moving samples. [1]
    drift_pct, drift_half_width_pct
        Drift of the need over the log, from lowest to highest, + to leaner, and half of its 95 %
        interval; nan where it cannot be told. [%]
    is_drifting
        Whether it is more than chance makes of the most striking of many shapes over time.
    held_min, moving_min, logged_min
        Minutes of the holds that count, of the moving samples that took part, and of the whole
        log. [min]
    """

    changes: tuple[QuickChange, ...]
    transient_share: float
    drift_pct: float
    drift_half_width_pct: float
    is_drifting: bool
    held_min: float
    moving_min: float
    logged_min: float

    @property
    def taught_min(self) -> float:
        """Minutes that taught something. [min]"""
        return self.held_min + self.moving_min


def log_taught(
    *,
    fit: LatticeFit | None,
    moving: FittedBlocks | None,
    blocks: pd.DataFrame | None,
    held_samples: int,
    samples: int,
    interval_s: float,
    kind: str,
) -> LogTaught:
    """Tell what one log teaches.

    Parameters
    ----------
    fit, moving
        The map of this log alone, and its blocks as the map took them; None where there is none.
    blocks
        The log's blocks as they were summed.
    held_samples, samples
        Samples of the holds that count, and of the whole log. [1]
    interval_s
        Time between samples. [s]
    kind
        Kind of the target.
    """
    minutes = interval_s / 60.0
    took_part = 0.0 if moving is None else float(moving.samples[moving.weight >= TAKES_PART].sum())
    drift_pct, half_width_pct = _drift(fit)
    return LogTaught(
        changes=_changes(fit, moving, blocks, kind),
        transient_share=_transient_share(fit, moving, kind),
        drift_pct=drift_pct,
        drift_half_width_pct=half_width_pct,
        is_drifting=_is_drifting(fit),
        held_min=held_samples * minutes,
        moving_min=took_part * minutes,
        logged_min=samples * minutes,
    )


def _drift(fit: LatticeFit | None) -> tuple[float, float]:
    """Drift of the only log and half of its interval; nan where it cannot be told. [%]"""
    if fit is None or not len(fit.drift_ln) or not np.isfinite(fit.drift_se_ln[0]):
        return np.nan, np.nan
    return 100.0 * float(np.expm1(fit.drift_ln[0])), 100.0 * SPAN_95 * float(fit.drift_se_ln[0])


def _is_drifting(fit: LatticeFit | None) -> bool:
    if fit is None:
        return False
    least = np.maximum(DRIFT_SE * fit.drift_se_ln, DRIFT_LN)
    return bool(np.any(np.abs(fit.drift_ln) >= least))


def _transient_share(fit: LatticeFit | None, moving: FittedBlocks | None, kind: str) -> float:
    if fit is None or moving is None or not len(moving.need_ln):
        return np.nan
    left = surface_scale(moving.need_ln, kind) - moving.weights @ fit.theta
    precision = moving.weight / moving.variance
    before = float(precision @ (left + moving.transient) ** 2)
    return max(1.0 - float(precision @ left**2) / before, 0.0) if before > 0 else np.nan


def _changes(
    fit: LatticeFit | None, moving: FittedBlocks | None, blocks: pd.DataFrame | None, kind: str
) -> tuple[QuickChange, ...]:
    if fit is None or moving is None or blocks is None or not len(fit.transients):
        return ()
    columns = blocks[list(TRANSIENT_COLUMNS)].to_numpy(dtype=float)
    is_moved = np.asarray(np.any(columns != 0, axis=0), dtype=np.bool_).reshape(-1)
    scale = float(np.median(scatter_scale(moving.need_ln, kind)))
    found, count = [], len(TRANSIENTS_S)
    for number, signal in enumerate(("load", "speed")):
        own = slice(number * count, (number + 1) * count)
        if is_moved[own].any():
            sizes = np.where(is_moved[own], fit.transients[own], 0.0) / scale
            covariance = fit.transient_covariance[own, own] / scale**2
            found.append(
                _change(signal, sizes, covariance * np.outer(is_moved[own], is_moved[own]))
            )
    return tuple(found)


def _change(signal: str, sizes: Floats, covariance: Floats) -> QuickChange:
    """Tell the effect of a sudden change, which fades with the time constants."""
    step_ln, tau_s = np.log1p(CHANGE_PCT / 100.0), np.array(TRANSIENTS_S)
    mean = step_ln * tau_s / SHOWN_S * -np.expm1(-SHOWN_S / tau_s)
    course = np.abs(np.exp(-FOLLOWED_S[:, None] / tau_s) @ sizes)
    change = QuickChange(
        signal=signal,
        change_pct=CHANGE_PCT,
        reads_pct=100.0 * float(mean @ sizes),
        half_width_pct=100.0 * SPAN_95 * float(np.sqrt(mean @ covariance @ mean)),
        fades_s=float(np.trapezoid(course, FOLLOWED_S) / max(course.max(), 1e-12)),
    )
    return change if change.is_seen else _unseen(change)


def _unseen(change: QuickChange) -> QuickChange:
    return QuickChange(
        change.signal, change.change_pct, change.reads_pct, change.half_width_pct, np.nan
    )
