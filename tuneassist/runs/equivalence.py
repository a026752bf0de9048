"""Zero check: does the fitted controller with an all-zero grid leave the car unchanged?

Finding no difference proves nothing. Two one-sided tests (TOST) reverse the question: the cars are
"equivalent" when "lower by the margin or more" and "higher by the margin or more" are both
rejected, at every speed and for every channel that both sides log: torque, lambda, boost and
exhaust temperature, each with its own margin. The run is the unit. Torque and lambda are compared
as ratios, in 100 ln; the others by difference.

"equivalent" is a single claim over all tests: an intersection-union test, whose error rate is that
of one test, so that no correction for their number is needed. "different" is claimed where a band
mean or a single speed differs from zero by Holm's rule: over all channels and bands at half of
alpha, and over all channels and speeds at the other half, which keeps the chance of any false
"different" below alpha.

References
----------
R. L. Berger and J. C. Hsu, Statistical Science 11(4), 1996, 283-319 (intersection-union tests);
S. Holm, Scand. J. Statist. 6, 1979, 65-70. Both from memory.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.grid import Floats
from tuneassist.runs.curves import runs_matrix
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.settings import RunSettings
from tuneassist.runs.tost import Tost, holm, runs_needed, tost

Verdict = Literal["equivalent", "different", "cannot tell"]
SAME_RUNS_SHARE = 1e-9  # repeats that agree to this share of their mean are copies of one run
TORQUE = "torque"


@dataclass(frozen=True, eq=False)
class Equivalence:
    """Verdict on the standard car against the fitted controller.

    Parameters
    ----------
    verdict
        Over all channels and bands: "equivalent" where every speed is, "different" where one is.
    statement
        The verdict in words, with the channels and speeds that decided it.
    bands
        One row per channel and band: channel, unit (of difference, low, high, scatter and margin),
        rpm_from, rpm_to, n_before, n_after, speeds (how many were tested); rpm, difference, low,
        high, scatter (standard deviation of a run, or of a pair's difference) and p of the speed
        that is worst inside its margin or beyond it; rpm_open_from, rpm_open_to (speeds not shown
        to be inside it; nan for none), mean_difference and p_zero of the band's mean,
        p_zero_speed (least of its speeds), margin, verdict, more_runs (a side; nan where none are
        needed or more than ``runs.max_runs``), statement, method.
    refusals
        Channels and bands that could not be tested, and why.
    """

    verdict: Verdict
    statement: str
    bands: pd.DataFrame
    refusals: tuple[Refusal, ...] = ()


@dataclass(frozen=True)
class _Channel:
    """A tested channel: its name, column, unit and margin."""

    name: str
    column: str
    unit: str
    margin: float

    @property
    def is_ratio(self) -> bool:
        return self.unit == "%"

    @property
    def bounds(self) -> tuple[float, float]:
        """The margin as bounds of the difference, of 100 ln of the ratio for a ratio."""
        if not self.is_ratio:
            return -self.margin, self.margin
        share = self.margin / 100.0
        return 100.0 * float(np.log1p(-share)), 100.0 * float(np.log1p(share))

    def shown(self, value: npt.ArrayLike) -> Floats:
        """Convert a difference as compared to the unit shown."""
        plain = np.asarray(value, dtype=float)
        return 100.0 * np.expm1(plain / 100.0) if self.is_ratio else plain


def _channels(settings: RunSettings) -> tuple[_Channel, ...]:
    return (
        _Channel(TORQUE, "torque_nm", "%", settings.margin_pct),
        _Channel("lambda", "lambda", "%", settings.lambda_margin_pct),
        _Channel("boost", "boost_kpa", "kPa", settings.boost_margin_kpa),
        _Channel("exhaust temperature", "exhaust_temp_c", "degC", settings.exhaust_margin_c),
    )


@dataclass(frozen=True, eq=False)
class _Side:
    """One side's values of a channel: a run per row, a speed per column."""

    rpm: Floats
    values: Floats

    @classmethod
    def of(cls, curves: pd.DataFrame, side: str, channel: _Channel) -> _Side:
        own = curves[curves["side"] == side]
        rpm = np.sort(own["rpm"].unique())
        if channel.column not in own or not own[channel.column].notna().any():
            return cls(rpm, np.full((0, len(rpm)), np.nan))
        values = runs_matrix(own, channel.column, rpm)
        return cls(rpm, np.where(values > 0, values, np.nan) if channel.is_ratio else values)

    def inside(self, rpm: Floats) -> Floats:
        """Values at these speeds of every run that covers all of them."""
        if not np.isin(rpm, self.rpm).all():
            return np.empty((0, len(rpm)))
        found = self.values[:, np.searchsorted(self.rpm, rpm)]
        return np.asarray(found[np.isfinite(found).all(axis=1)])


Changes = Mapping[str, tuple[str, float]]
"""Unit of a channel's difference to the unit shown, and the size of that."""


def assess_equivalence(
    curves: pd.DataFrame, settings: RunSettings, changes: Changes | None = None
) -> Equivalence:
    """Test speed by speed whether the two sides agree within the margins.

    Parameters
    ----------
    curves
        Curves of sides "before" (standard car) and "after" (controller fitted, grid all zero).
    settings
        Margins, alpha, power, bands, design.
    changes
        Units of the differences in the statements; the numbers of ``bands`` keep theirs.

    Returns
    -------
    Equivalence
        "cannot tell" with refusals where a side has fewer than two runs.
    """
    rows: list[dict[str, object]] = []
    refusals: list[Refusal] = []
    p_speeds: list[Floats] = []
    not_logged: list[str] = []
    bands = _bands(curves, settings)
    for channel in _channels(settings):
        sides = [_Side.of(curves, side, channel) for side in ("before", "after")]
        if channel.name != TORQUE and not all(len(side.values) for side in sides):
            not_logged.append(channel.name)
            continue
        for band in bands:
            assessed = _assess_band(sides, band, channel, settings)
            if isinstance(assessed, Refusal):
                refusals.append(assessed)
                continue
            rows.append(assessed[0])
            p_speeds.append(assessed[1])
    if not any(row["channel"] == TORQUE for row in rows):
        empty = Refusal("no bands", "The two sides share no speed band that can be tested.")
        return Equivalence(
            "cannot tell", _without_bands(curves), pd.DataFrame(), (*refusals, empty)
        )
    found = _with_verdicts(pd.DataFrame(rows), p_speeds, settings)
    shown = _in_units(found, changes or {})
    found["statement"] = [_words(row, settings) for row in shown.to_dict("records")]
    verdict, statement = _overall(shown, settings)
    doubts = [statement, *_left_out(refusals, not_logged)]
    return Equivalence(verdict, " ".join(doubts), found, tuple(refusals))


def _left_out(refusals: Sequence[Refusal], not_logged: Sequence[str]) -> list[str]:
    sentences = ["Some bands could not be tested."] if refusals else []
    if not_logged:
        sentences.append(f"Not tested, because not logged on both sides: {', '.join(not_logged)}.")
    return sentences


def _without_bands(curves: pd.DataFrame) -> str:
    """Describe how many runs are missing for a first test."""
    runs = curves[["side", "log", "pull"]].drop_duplicates().groupby("side").size()
    missing = max(2 - int(runs.get(side, 0)) for side in ("before", "after"))
    if missing <= 0:
        return "cannot tell: no speed band is covered by at least two runs on both sides."
    more = f"{missing} more run{'s' if missing > 1 else ''}"
    return f"cannot tell: at least {more} a side needed, because scatter needs two runs."


def _bands(curves: pd.DataFrame, settings: RunSettings) -> list[Floats]:
    """Speeds of each band within the range that both sides cover.

    The outermost bands are narrower: they end with the runs, ignoring runs that do not reach the
    next band.
    """
    runs = curves.groupby(["side", "log", "pull"])["rpm"].agg(["min", "max"])
    span = runs.groupby("side").agg({"min": "min", "max": "max"})
    if len(span) < 2:
        return []
    width = settings.band_width_rpm
    first = float(np.ceil(span["min"].max() / width)) * width
    last = float(np.floor(span["max"].min() / width)) * width
    if last < first:
        return []
    edges = np.arange(first, last + width / 2.0, width)
    low = float(runs.loc[runs["min"] <= first, "min"].max())
    high = float(runs.loc[runs["max"] >= last, "max"].min())
    edges = np.unique([low, *edges, high])
    speeds = np.sort(curves["rpm"].unique())
    return [speeds[(speeds >= a) & (speeds <= b)] for a, b in pairwise(edges)]


def _assess_band(
    sides: Sequence[_Side], rpm: Floats, channel: _Channel, settings: RunSettings
) -> tuple[dict[str, object], Floats] | Refusal:
    """Test a channel at every speed of a band: its row, and p of no difference at each speed."""
    before, after = (side.inside(rpm) for side in sides)
    numbers = {"n_before": float(len(before)), "n_after": float(len(after))}
    where = f"{channel.name}, {rpm[0]:g} to {rpm[-1]:g} rpm" if len(rpm) else channel.name
    if min(len(before), len(after)) < 2 or not len(rpm):
        words = "Each side needs at least two runs that cover the band."
        return Refusal("too few runs", words, MappingProxyType(numbers), where)
    if settings.design == "paired" and len(before) != len(after):
        words = "A paired comparison needs the same number of runs on both sides."
        return Refusal("not paired", words, MappingProxyType(numbers), where)
    if channel.is_ratio:
        before, after = (100.0 * np.log(v / before.mean(axis=0)) for v in (before, after))
    scatter = _scatter(before, after, settings)
    if channel.name == TORQUE and scatter.max() < 100.0 * SAME_RUNS_SHARE:
        words = "The runs do not scatter at all: they are copies of one run."
        return Refusal("copies", words, MappingProxyType(numbers), where)
    low, high = channel.bounds
    options: dict[str, Any] = {
        "low": low, "high": high, "alpha": settings.alpha, "design": settings.design,
    }  # fmt: skip
    each = tost(before, after, **options)
    mean = tost(before.mean(axis=1), after.mean(axis=1), **options)
    row = _row(rpm, channel, each, scatter, settings)
    of_mean = {
        "mean_difference": float(channel.shown(mean.difference)),
        "p_zero": float(mean.p_zero),
    }
    return {**row, **of_mean}, each.p_zero


def _scatter(before: Floats, after: Floats, settings: RunSettings) -> Floats:
    """Standard deviation of a run at each speed; of a pair's difference where runs are paired."""
    spreads = [after - before] if settings.design == "paired" else [before, after]
    return np.asarray(np.sqrt(np.mean([np.var(v, axis=0, ddof=1) for v in spreads], axis=0)))


def _row(
    rpm: Floats, channel: _Channel, each: Tost, scatter: Floats, settings: RunSettings
) -> dict[str, object]:
    low, high = channel.bounds
    at = int(np.maximum(each.high - high, low - each.low).argmax())
    is_open = each.p >= settings.alpha
    needed = None
    if is_open.any():
        needed = _more_runs(float(scatter[at]), float(each.difference[at]), channel, settings)
    have = min(each.n_first, each.n_second)
    difference, from_, to = (channel.shown(v[at]) for v in (each.difference, each.low, each.high))
    return {
        "channel": channel.name, "unit": channel.unit, "rpm_from": float(rpm[0]),
        "rpm_to": float(rpm[-1]), "n_before": each.n_first, "n_after": each.n_second,
        "speeds": len(rpm), "rpm": float(rpm[at]), "difference": float(difference),
        "low": float(from_), "high": float(to), "p": float(each.p.max()),
        "p_zero_speed": float(each.p_zero.min()), "margin": channel.margin,
        "scatter": float(scatter[at]),
        "rpm_open_from": float(rpm[is_open].min()) if is_open.any() else float("nan"),
        "rpm_open_to": float(rpm[is_open].max()) if is_open.any() else float("nan"),
        "more_runs": float("nan") if needed is None else float(max(needed - have, 1)),
        "method": f"{each.method}, at each speed",
    }  # fmt: skip


def _more_runs(
    scatter: float, difference: float, channel: _Channel, settings: RunSettings
) -> int | None:
    """Runs per side needed at the worst speed; None for too many."""
    low, high = channel.bounds
    planned = float(np.clip(difference, low / 2.0, high / 2.0))
    if scatter <= 0:
        return None
    return runs_needed(scatter, planned, low=low, high=high, settings=settings)


def _with_verdicts(
    bands: pd.DataFrame, p_speeds: Sequence[Floats], settings: RunSettings
) -> pd.DataFrame:
    """Add the verdict of each channel and band; bands and single speeds get half of alpha each."""
    half = settings.alpha / 2.0
    is_equal = (bands["p"] < settings.alpha).to_numpy()
    by_speed = holm(np.concatenate(p_speeds)) <= half
    ends = np.cumsum([len(p) for p in p_speeds])[:-1]
    is_apart = holm(bands["p_zero"].to_numpy()) <= half
    is_apart |= np.array([part.any() for part in np.split(by_speed, ends)])
    verdict = np.where(is_equal, "equivalent", np.where(is_apart, "different", "cannot tell"))
    assessed = bands.assign(verdict=verdict)
    assessed.loc[verdict != "cannot tell", "more_runs"] = np.nan
    return assessed


def _in_units(bands: pd.DataFrame, changes: Changes) -> pd.DataFrame:
    """Return the bands with differences and margins in the units shown."""
    shown = [changes.get(str(unit), (str(unit), 1.0)) for unit in bands["unit"]]
    size = np.array([factor for _, factor in shown])
    numbers = {name: bands[name] / size for name in ("difference", "low", "high", "margin")}
    return bands.assign(unit=[unit for unit, _ in shown], **numbers)


def _words(row: Mapping[Hashable, Any], settings: RunSettings) -> str:
    band = f"{row['channel']}, {row['rpm_from']:g} to {row['rpm_to']:g} rpm"
    unit = row["unit"]
    worst_seen = (f"furthest at {row['rpm']:g} rpm: {row['difference']:+z.2f} {unit}, "
            f"{100 - 200 * settings.alpha:g} % interval {row['low']:+z.2f} to "
            f"{row['high']:+z.2f} {unit}")  # fmt: skip
    if row["verdict"] == "equivalent":
        return f"{band}: equivalent within {row['margin']:.3g} {unit} at every speed ({worst_seen})"
    if row["verdict"] == "different":
        return f"{band}: different ({worst_seen})"
    more = row["more_runs"]
    runs = (
        f"more than {settings.max_runs} runs a side; reduce the scatter between runs"
        if pd.isna(more)
        else f"{more:.0f} more run{'s' if more != 1 else ''} a side"
    )
    return f"{band}: cannot tell: {runs} ({worst_seen})"


def _overall(bands: pd.DataFrame, settings: RunSettings) -> tuple[Verdict, str]:
    """Combine channels and bands into one verdict."""
    apart = bands[bands["verdict"] == "different"]
    if len(apart):
        return "different", f"different: {_named(apart, with_worst=True)}."
    if (bands["verdict"] == "equivalent").all():
        span = f"{bands['rpm_from'].min():g} to {bands['rpm_to'].max():g} rpm"
        margins = bands.drop_duplicates("channel").to_dict("records")
        each = ", ".join(f"{r['channel']} within {r['margin']:.3g} {r['unit']}" for r in margins)
        return "equivalent", f"equivalent at every speed from {span}: {each}."
    open_bands = bands[bands["verdict"] == "cannot tell"]
    named = _named(open_bands, with_worst=False)
    if open_bands["more_runs"].isna().any():
        return "cannot tell", (
            f"cannot tell: more than {settings.max_runs} runs a side would be needed; reduce "
            f"the scatter between runs ({named})."
        )
    more = int(open_bands["more_runs"].max())
    runs = f"{more} more run{'s' if more != 1 else ''} a side"
    return "cannot tell", f"cannot tell: {runs} ({named})."


def _named(bands: pd.DataFrame, *, with_worst: bool) -> str:
    """Name each channel with the speeds at which it is not shown equivalent."""
    sentences = []
    for channel, rows in bands.groupby("channel", sort=False):
        ranges = ", ".join(
            f"{first:g} rpm" if first == last else f"{first:g} to {last:g} rpm"
            for first, last in _open_ranges(rows)
        )
        row = rows.iloc[int(rows["difference"].abs().to_numpy().argmax())]
        worst = f"{row['difference']:+z.2f} {row['unit']} at {row['rpm']:g} rpm, "
        sentences.append(f"{channel} {worst if with_worst else ''}not shown equivalent at {ranges}")
    return "; ".join(sentences)


def _open_ranges(rows: pd.DataFrame) -> list[tuple[float, float]]:
    """Join the open speeds of bands that touch."""
    ranges: list[tuple[float, float]] = []
    for row in rows.sort_values("rpm_from").to_dict("records"):
        first, last = float(row["rpm_open_from"]), float(row["rpm_open_to"])
        if ranges and ranges[-1][1] >= first:
            ranges[-1] = (ranges[-1][0], last)
        else:
            ranges.append((first, last))
    return ranges
