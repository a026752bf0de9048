"""Stretches at rest that travel all the same: a slow sweep is no hold.

A window of a second or two cannot tell a slow sweep from rest: at 25 rpm/s it spreads no wider
than the noise. Over a longer time the means of such windows can, for they leave noise and quick
hunting behind. A stretch is kept where they stay at one place, is cut where a step or a ramp lies
between two places, and is no hold where they keep on travelling.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tuneassist.evidence.groups import Groups
from tuneassist.evidence.steady import (
    Bands,
    Rest,
    all_of,
    cover,
    cover_pairs,
    find_rest,
    load_band,
    rolling_mean,
    rolling_range,
    window_rows,
    without_spikes,
)
from tuneassist.grid import Axes, Floats, axis_weights
from tuneassist.settings import SteadySettings

Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

#: The channels are averaged over this share of the long window, which leaves hunting of a few
#: seconds behind: an idle at +-30 rpm every 8 s moves by 14 where a sweep of 10 rpm/s moves by 50.
MEAN_SHARE = 0.5
#: What rests amid a ramp must be this much slower than the slowest ramp that is noticed. [1]
STILL_SHARE = 0.5
#: Two places are told apart where so much of a long window does not pass between them: noise that
#: fails a few windows parts no hold. [1]
STEP_SHARE = 0.5


@dataclass(frozen=True, eq=False)
class Standing:
    """Where the engine stands, and which neighbours stand at one place.

    Parameters
    ----------
    is_steady
        Samples at rest by the short windows, shape (n,).
    is_standing
        Those of them that do not travel either, shape (n,).
    is_joined
        Samples that belong to one place with the one before, shape (n,). Places that turn out to
        travel as a whole are told apart as well, so that a long log may be cut between any two.
    bands
        Noise in force; None for a log shorter than a window.
    """

    is_steady: Mask
    is_standing: Mask
    is_joined: Mask
    bands: Bands | None

    def at(self, rows: slice) -> Standing:
        """Return the same of some rows."""
        return Standing(
            self.is_steady[rows], self.is_standing[rows], self.is_joined[rows], self.bands
        )


def travel_rows(interval_s: float, settings: SteadySettings) -> int:
    """Rows over which travel is looked for; more than the short window has."""
    short = window_rows(interval_s, settings)
    by_time = round(settings.travel_s / interval_s) + 1
    return max(by_time, short + settings.min_samples)


def find_standing(
    time_s: Floats,
    rpm: Floats,
    load: Floats,
    *,
    axes: Axes,
    interval_s: float,
    settings: SteadySettings,
    bands: Bands | None = None,
    offset: float = 0.0,
) -> Standing:
    """Tell which samples are at rest, and which of them stand.

    Parameters
    ----------
    time_s, rpm, load
        The common time line, shape (n,). [s], [rpm], [load unit]
    axes
        Breakpoints, whose gaps are the measure of travel.
    interval_s
        Median time between rows. [s]
    settings
        Windows, bands and how far a stretch may travel.
    bands
        What an earlier part of the log has shown of its noise; None finds it in this one.
    offset
        What makes loads and load breakpoints count from zero: the barometer on a gauge axis.
        [load unit]
    """
    load = load + offset
    rest = find_rest(time_s, rpm, load, interval_s=interval_s, settings=settings, bands=bands)
    if rest.bands is None or not rest.is_steady.any():
        return Standing(rest.is_steady, rest.is_steady, rest.is_joined, rest.bands)
    long = travel_rows(interval_s, settings)
    scale = long * interval_s / settings.travel_s  # slow loggers need more time for their rows
    paths = [
        _Path.of(values, points, floor, long, settings, scale=scale)
        for values, points, floor in (
            (rpm, axes.rpm, settings.travel_floor_rpm),
            (load, axes.load + offset, load_band(rest.bands, settings)),
        )
    ]
    may_stand, is_joined = _places(rest, paths, long)
    runs = _Runs.of(may_stand, is_joined)
    around = _Runs.of(rest.is_steady, rest.is_joined).around(runs, long)
    trimmed = _trimmed(runs, around, paths, long)
    stays = np.logical_and.reduce([path.stays(trimmed, runs, around, long) for path in paths])
    first, last = trimmed.first, trimmed.last
    is_standing = np.zeros(len(time_s) + 1, dtype=np.int8)
    is_standing[first[stays]] = 1
    is_standing[last[stays] + 1] -= 1
    inside = np.cumsum(is_standing[:-1]) > 0
    return Standing(rest.is_steady, inside, is_joined, rest.bands)


@dataclass(frozen=True, eq=False)
class _Runs:
    """First and last row of each run of samples that are joined."""

    first: Ints
    last: Ints

    @classmethod
    def of(cls, is_in: Mask, is_joined: Mask) -> _Runs:
        first = np.flatnonzero(is_in & ~is_joined)
        return cls(first, np.flatnonzero(is_in & ~np.append(is_joined[1:], False)))

    @property
    def length(self) -> Ints:
        return np.asarray(self.last - self.first + 1)

    def around(self, parts: _Runs, rows: int) -> _Runs:
        """Return each part with so many rows on either side, as far as its run reaches."""
        run = np.searchsorted(self.first, parts.first, side="right") - 1
        first = np.maximum(parts.first - rows, self.first[run])
        return _Runs(first, np.minimum(parts.last + rows, self.last[run]))


@dataclass(frozen=True, eq=False)
class _Path:
    """One channel, and how far it may travel.

    Parameters
    ----------
    values, means
        Without lone spikes, shape (n,), and averaged over part of a long window, by first row.
    usual
        How far the means may move inside a long window that begins at a row, shape (n,).
    limit
        How far they may move over a whole stretch that begins at a row, shape (n,).
    """

    values: Floats
    means: Floats
    usual: Floats
    limit: Floats

    @classmethod
    def of(
        cls,
        values: Floats,
        points: Floats,
        floor: float,
        long: int,
        settings: SteadySettings,
        *,
        scale: float,
    ) -> _Path:
        known = without_spikes(np.where(np.isfinite(values), values, 0.0))
        gap = np.diff(points)[axis_weights(points, known)[0]]
        usual = np.maximum(settings.travel_share * gap, floor)
        return cls(
            known,
            rolling_mean(known, _mean_rows(long)),
            scale * (1.0 - MEAN_SHARE) * usual,
            np.maximum(settings.travel_limit_share * gap, floor),
        )

    def stays(self, runs: _Runs, untrimmed: _Runs, around: _Runs, long: int) -> Mask:
        """Tell which runs stay at one place, by themselves and by what they lie in."""
        rows, length, first = _mean_rows(long), runs.length, runs.first
        usual, limit = self.usual[first], self.limit[first]
        drift, bend = _drift_and_bend(self.values, runs)
        stays = np.where(
            length >= long,
            self._range(runs, rows) <= limit,
            drift <= usual * np.minimum(length / rows, 1.0),
        )
        # what was taken off may be as far away as that, and no farther
        stays &= self._range(untrimmed, rows) <= limit + usual
        is_on_the_way = self._range(around, rows) > limit
        # where a sweep turns round it is no stiller than on the way
        is_still = np.maximum(drift, bend) <= STILL_SHARE * usual * length / long
        return np.asarray(stays & (is_still | ~is_on_the_way))

    def _range(self, runs: _Runs, rows: int) -> Floats:
        """Range of the means in runs of rows; 0 in those too short for a mean."""
        found = np.zeros(len(runs.first))
        has = np.flatnonzero(runs.length >= rows)
        if len(has):
            edges = np.column_stack([runs.first[has], runs.last[has] - rows + 2]).ravel()
            longer = np.append(self.means, self.means[-1])
            high, low = (pick.reduceat(longer, edges)[::2] for pick in (np.maximum, np.minimum))
            found[has] = high - low
        return found


def _mean_rows(long: int) -> int:
    return max(1, round(MEAN_SHARE * long))


def _places(rest: Rest, paths: list[_Path], long: int) -> tuple[Mask, Mask]:
    """Samples in a long window that does not travel, and those that share one with the one before.

    A stretch too short for a long window stays as it is.
    """
    n = len(rest.is_steady)
    if n < long:
        return rest.is_steady, rest.is_joined
    passed = all_of(rest.is_joined[1:], long - 1)
    for path in paths:
        passed &= (
            rolling_range(path.means, long - _mean_rows(long) + 1) <= path.usual[: len(passed)]
        )
    runs = _Runs.of(rest.is_steady, rest.is_joined)
    is_short = np.zeros(n, dtype=bool)
    is_short[rest.is_steady] = np.repeat(runs.length < long, runs.length)
    is_joined = cover_pairs(passed, long) | (is_short & rest.is_joined)
    is_joined[_steps(passed, long)] = False
    return cover(passed, long) | is_short, is_joined


def _steps(passed: Mask, long: int) -> Ints:
    """Rows at which a new place begins: the middle of a span that windows from both sides share.

    Windows that reach a little way over a small step still pass, from either side of it, while
    those that lie evenly on both sides do not.
    """
    at = np.flatnonzero(passed)
    apart = np.diff(at)
    is_step = (apart > STEP_SHARE * long) & (apart < long)
    return np.asarray((at[:-1] + at[1:] + long)[is_step] // 2)


def _trimmed(runs: _Runs, around: _Runs, paths: list[_Path], long: int) -> _Runs:
    """Take off what a run reaches into the ramps about it: ends farther from its middle than usual.

    Runs too short for a long window stay as they are, and so do those with nothing about them.
    """
    first, last = runs.first.copy(), runs.last.copy()
    at = np.flatnonzero((runs.length >= long) & (around.length > runs.length))
    if not len(at):
        return runs
    count = runs.length[at]
    rows = np.repeat(first[at] - np.cumsum(count) + count, count) + np.arange(count.sum())
    groups = Groups(np.cumsum(count) - count, count)
    is_near = np.ones(len(rows), dtype=bool)
    for path in paths:
        values = path.values[rows]
        gap = np.abs(values - groups.spread(groups.median(values)))
        is_near &= gap <= groups.spread(path.usual[first[at]])
    far = len(path.values)
    nearest = np.minimum.reduceat(np.where(is_near, rows, far), groups.start)
    farthest = np.maximum.reduceat(np.where(is_near, rows, -1), groups.start)
    has = farthest >= nearest
    first[at[has]], last[at[has]] = nearest[has], farthest[has]
    return _Runs(first, last)


def _drift_and_bend(values: Floats, runs: _Runs) -> tuple[Floats, Floats]:
    """How far the second half of each run lies from the first, and the middle from the ends."""
    if not len(runs.first):
        return np.empty(0), np.empty(0)
    edges = runs.first[:, None] + runs.length[:, None] * np.arange(5) // 4
    sums = np.add.reduceat(np.append(values, 0.0), edges.ravel()).reshape(edges.shape)[:, :4]
    means = sums / np.maximum(np.diff(edges, axis=1), 1)  # of no row: the reading at its edge
    before, behind = means[:, :2].sum(axis=1), means[:, 2:].sum(axis=1)
    inner, outer = means[:, 1:3].sum(axis=1), means[:, 0] + means[:, 3]
    return np.abs(behind - before) / 2.0, np.abs(inner - outer) / 2.0
