"""Zero means zero: does the fitted box with an all-zero grid leave the car as it was?

Not to find a difference proves nothing. Two one-sided tests (TOST) turn the question round: a band
of speeds is "equivalent" when both "lower by the margin or more" and "higher by the margin or more"
are rejected. The run is the unit, and torque is compared as a ratio, in 100 ln.

All bands together are equivalent when every band is (an intersection-union test: no correction for
the number of bands is due). "different" counts over all bands by Holm's rule.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import pandas as pd

from tuneassist.grid import Floats
from tuneassist.runs.curves import runs_matrix
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.settings import RunSettings
from tuneassist.runs.tost import holm, runs_needed, tost

Verdict = Literal["equivalent", "different", "cannot tell"]
SAME_RUNS_SHARE = 1e-9  # repeats that agree to this share of their mean are copies, not runs


@dataclass(frozen=True, eq=False)
class Equivalence:
    """Verdict on the standard car against the fitted box.

    Parameters
    ----------
    verdict
        Over all bands: "equivalent" where every band is, "different" where one is.
    statement
        The verdict in words.
    bands
        One row per band: rpm_from, rpm_to, n_before, n_after, difference_pct, low_pct, high_pct,
        scatter_pct (standard deviation of a run, or of a pair's difference), p, p_zero,
        margin_pct, verdict, more_runs (a side; nan where none are needed or more than
        ``runs.max_runs``), statement, method.
    refusals
        Bands that could not be judged, and why.
    """

    verdict: Verdict
    statement: str
    bands: pd.DataFrame
    refusals: tuple[Refusal, ...] = ()


def judge_equivalence(curves: pd.DataFrame, settings: RunSettings) -> Equivalence:
    """Judge band by band whether the two sides' torque is the same within the margin.

    Parameters
    ----------
    curves
        Curves of sides "before" (standard car) and "after" (box fitted, grid all zero).
    settings
        Margin, alpha, power, bands, design.

    Returns
    -------
    Equivalence
        "cannot tell" with refusals where a side has fewer than two runs.
    """
    rows, refusals = [], []
    sides = [_Side.of(curves, side) for side in ("before", "after")]
    for band in _bands(curves, settings):
        judged = _judge_band(sides[0].means(band), sides[1].means(band), band, settings)
        if isinstance(judged, Refusal):
            refusals.append(judged)
        else:
            rows.append(judged)
    if not rows:
        empty = Refusal("no bands", "The two sides share no band of speeds that can be judged.")
        return Equivalence(
            "cannot tell", _without_bands(curves), pd.DataFrame(), (*refusals, empty)
        )
    bands = _with_verdicts(pd.DataFrame(rows), settings)
    verdict, statement = _overall(bands, settings, bool(refusals))
    return Equivalence(verdict, statement, bands, tuple(refusals))


def _without_bands(curves: pd.DataFrame) -> str:
    """Say how many runs are missing before anything can be said at all."""
    runs = curves[["side", "log", "pull"]].drop_duplicates().groupby("side").size()
    missing = max(2 - int(runs.get(side, 0)) for side in ("before", "after"))
    if missing <= 0:
        return "cannot tell: no band of speeds is covered by two runs or more on both sides."
    more = f"{missing} more run{'s' if missing > 1 else ''}"
    return f"cannot tell: at least {more} on a side, for scatter shows from two runs on."


def _bands(curves: pd.DataFrame, settings: RunSettings) -> list[tuple[float, float]]:
    """Whole bands between the speeds that both sides reach."""
    span = curves.groupby("side")["rpm"].agg(["min", "max"])
    if len(span) < 2:
        return []
    width = settings.band_width_rpm
    low = np.ceil(span["min"].max() / width) * width
    edges = np.arange(low, span["max"].min() + 1e-9, width)
    return [(float(a), float(b)) for a, b in pairwise(edges)]


@dataclass(frozen=True, eq=False)
class _Side:
    """One side's torque: a run per row, a speed per column."""

    rpm: Floats
    torque: Floats

    @classmethod
    def of(cls, curves: pd.DataFrame, side: str) -> _Side:
        own = curves[curves["side"] == side]
        rpm = np.sort(own["rpm"].unique())
        return cls(rpm, runs_matrix(own, "torque_nm", rpm))

    def means(self, band: tuple[float, float]) -> Floats:
        """Mean torque of every run over the band; only runs that cover all its speeds."""
        first = int(np.searchsorted(self.rpm, band[0], side="left"))
        last = int(np.searchsorted(self.rpm, band[1], side="right"))
        means = self.torque[:, first:last].mean(axis=1) if last > first else np.empty(0)
        return np.asarray(means[np.isfinite(means) & (means > 0)])


def _judge_band(
    before: Floats, after: Floats, band: tuple[float, float], settings: RunSettings
) -> dict[str, object] | Refusal:
    numbers = {"n_before": float(len(before)), "n_after": float(len(after))}
    where = f"{band[0]:g} to {band[1]:g} rpm"
    if min(len(before), len(after)) < 2:
        words = "Two runs or more that cover the band are needed on each side."
        return Refusal("too few runs", words, MappingProxyType(numbers), where)
    if settings.design == "paired" and len(before) != len(after):
        words = "A paired comparison needs as many runs on one side as on the other."
        return Refusal("not paired", words, MappingProxyType(numbers), where)
    a, b = (100.0 * np.log(v / before.mean()) for v in (before, after))
    spreads = [b - a] if settings.design == "paired" else [a, b]
    sd = float(np.sqrt(np.mean([np.var(v, ddof=1) for v in spreads])))
    if sd < 100.0 * SAME_RUNS_SHARE:
        words = "The runs do not scatter at all: they are copies of one run."
        return Refusal("copies", words, MappingProxyType(numbers), where)
    low, high = _bounds(settings)
    found = tost(a, b, low=low, high=high, alpha=settings.alpha, design=settings.design)
    planned = float(np.clip(found.difference, low / 2.0, high / 2.0))
    needed = runs_needed(sd, planned, low=low, high=high, settings=settings)
    have = min(len(a), len(b))
    return {
        "rpm_from": band[0], "rpm_to": band[1], "n_before": len(a), "n_after": len(b),
        "difference_pct": 100.0 * np.expm1(found.difference / 100.0),
        "low_pct": 100.0 * np.expm1(found.low / 100.0),
        "high_pct": 100.0 * np.expm1(found.high / 100.0),
        "p": found.p, "p_zero": found.p_zero, "margin_pct": settings.margin_pct, "scatter_pct": sd,
        "more_runs": float("nan") if needed is None else float(max(needed - have, 1)),
        "method": found.method,
    }  # fmt: skip


def _bounds(settings: RunSettings) -> tuple[float, float]:
    """The margin as bounds of 100 ln of the ratio."""
    share = settings.margin_pct / 100.0
    return 100.0 * float(np.log1p(-share)), 100.0 * float(np.log1p(share))


def _with_verdicts(bands: pd.DataFrame, settings: RunSettings) -> pd.DataFrame:
    is_equal = bands["p"] < settings.alpha
    is_apart = holm(bands["p_zero"].to_numpy()) <= settings.alpha
    verdict = np.where(is_equal, "equivalent", np.where(is_apart, "different", "cannot tell"))
    judged = bands.assign(verdict=verdict)
    judged.loc[verdict != "cannot tell", "more_runs"] = np.nan
    judged["statement"] = [_words(row, settings) for row in judged.to_dict("records")]
    return judged


def _words(row: Mapping[Hashable, Any], settings: RunSettings) -> str:
    band = f"{row['rpm_from']:g} to {row['rpm_to']:g} rpm"
    seen = (f"{row['difference_pct']:+.2f} %, {100 - 200 * settings.alpha:g} % interval "
            f"{row['low_pct']:+.2f} to {row['high_pct']:+.2f} %")  # fmt: skip
    if row["verdict"] == "equivalent":
        return f"{band}: equivalent within {settings.margin_pct:g} % ({seen})"
    if row["verdict"] == "different":
        return f"{band}: different ({seen})"
    more = row["more_runs"]
    runs = (
        f"more than {settings.max_runs} runs a side; make the runs scatter less"
        if pd.isna(more)
        else f"{more:.0f} more run{'s' if more != 1 else ''} a side"
    )
    return f"{band}: cannot tell: {runs} ({seen})"


def _overall(bands: pd.DataFrame, settings: RunSettings, is_partial: bool) -> tuple[Verdict, str]:
    """Put the bands together."""
    span = f"{bands['rpm_from'].min():g} to {bands['rpm_to'].max():g} rpm"
    left_out = " Some bands could not be judged." if is_partial else ""
    apart = bands[bands["verdict"] == "different"]
    if len(apart):
        worst = apart.iloc[int(apart["difference_pct"].abs().to_numpy().argmax())]
        return "different", (
            f"different: {worst['difference_pct']:+.2f} % at {worst['rpm_from']:g} to "
            f"{worst['rpm_to']:g} rpm.{left_out}"
        )
    if (bands["verdict"] == "equivalent").all():
        return "equivalent", (f"equivalent within {settings.margin_pct:g} % from {span}.{left_out}")
    open_bands = bands[bands["verdict"] == "cannot tell"]
    if open_bands["more_runs"].isna().any():
        return "cannot tell", (
            f"cannot tell: more than {settings.max_runs} runs a side would be needed; make the "
            f"runs scatter less.{left_out}"
        )
    more = int(open_bands["more_runs"].max())
    runs = f"{more} more run{'s' if more != 1 else ''} a side"
    return (
        "cannot tell",
        f"cannot tell: {runs} ({len(open_bands)} of {len(bands)} bands are open).{left_out}",
    )
