"""Logs of any length to holds, part by part, in bounded memory.

A log up to ``steady.estimate_rows`` long is reduced whole. Of a longer one, what has to be found
out (sampling, noise, the sensor's stops and delay, settling) is found out in the first part and
held to. Parts are then joined so that it does not matter where they were cut: rows are settled only
when the rows that they hang on have been seen, and never in the middle of a stretch, so that a
stretch across a border is one hold.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import chain

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.arguments import of_kind
from tuneassist.channels import load_offset
from tuneassist.errors import LogError, SetupError
from tuneassist.evidence.channel_ranges import ChannelRanges as Spans
from tuneassist.evidence.delay import FLOW_SPAN, align_values
from tuneassist.evidence.heat import HEAT_COLUMN
from tuneassist.evidence.holds import Stretches, number_stretches, reduce_stretches, smooth_mask
from tuneassist.evidence.load_envelope import LoadEnvelope as DrivenLoads
from tuneassist.evidence.need import TRIM_COLUMNS, inside_axes, need_values, target_at
from tuneassist.evidence.refresh import continue_time_line, with_places
from tuneassist.evidence.sample_checks import COLUMN_REMEDY as INSIDE
from tuneassist.evidence.sample_checks import checked_parts
from tuneassist.evidence.side_channels import EXCLUDED_BY as HIDING
from tuneassist.evidence.side_channels import SideChannels as Influences
from tuneassist.evidence.steady import (
    DRIVERS,
    WARMTH,
    is_cut,
    tells_warm,
    warm_by_clock,
)
from tuneassist.evidence.travel import find_standing, travel_rows
from tuneassist.evidence.visits import RunningPeaks, count_nearest, nearest_cell
from tuneassist.grid import Floats
from tuneassist.one_log import (
    FATES,
    LogEvidence,
    LogNature,
    Mask,
    count_fates,
    heat_peaks,
    longest_gap_s,
    peak_columns,
    reduce_whole,
    sum_log_passes,
    teaching_masks,
    with_heat,
)
from tuneassist.reading.source import Prefetcher as ReadAhead
from tuneassist.settings import READ_SETUP, Setup
from tuneassist.threads import on_one_thread

#: A stretch that fills so many first parts is cut in two holds: memory is bounded. [1]
LONGEST_WAIT = 8
#: Rows of a long log from which lambda's delay is estimated: some 65 moves at 10 rows a second.
#: The estimate's standard error is 0.053 s from 90 moves and 0.051 s from 1,400, of which the
#: model's own share is 0.05 s. [rows]
DELAY_ROWS = 10_000
#: Parts that wait for their reduction while the next is counted. [1]
COUNTED_AHEAD = 2
#: Rows kept beyond a long window on either side: spikes and cuts look at their neighbours. [rows]
MARGIN_ROWS = 8

Columns = dict[str, Floats]


def reduce_log(samples: pd.DataFrame, *, name: str, setup: Setup) -> LogEvidence:
    """Reduce one log to holds.

    Parameters
    ----------
    samples
        One row per log row, in inside units (see `tuneassist.channels`).
    name
        The log's name, for messages.
    setup
        Axes, target and thresholds.

    Returns
    -------
    LogEvidence
        Holds, and what became of every sample.
    """
    of_kind(setup, Setup, what="setup", mend=READ_SETUP, error=SetupError)
    of_kind(samples, pd.DataFrame, what=f"the samples of {name}", mend=INSIDE, error=LogError)
    rows = setup.steady.estimate_rows
    parts = (samples.iloc[start : start + rows] for start in range(0, max(len(samples), 1), rows))
    return reduce_parts(parts, name=name, setup=setup)


@on_one_thread
def reduce_parts(parts: Iterable[pd.DataFrame], *, name: str, setup: Setup) -> LogEvidence:
    """Reduce a log that comes in parts.

    Parameters
    ----------
    parts
        Samples in order of time; what is found out about the log is found out in the first.
    name, setup
        As for `reduce_log`.
    """
    rest = checked_parts(parts, name=name)
    first = next(rest)
    second = next(rest, None)
    spans = Spans()
    if second is None:
        first = _without_silent(first)
    influences = Influences(first, setup)
    first = influences.add(first)
    found, nature = reduce_whole(
        first, name=name, setup=setup, delay_rows=None if second is None else DELAY_ROWS
    )
    if second is None:
        spans.add(first)
        notes = spans.notes(found.fates, name=name, setup=setup)
        visits = count_nearest(
            setup.axes,
            first["rpm"].to_numpy(dtype=float),
            first["load"].to_numpy(dtype=float),
            margin_cells=setup.steady.outside_margin_cells,
        )
        found = replace(found, visits=visits, notes=(*found.notes, *notes))
        return _with_influences(found, influences)
    more = map(influences.add, chain([second], rest))
    long = _reduce_long(first, more, found=found, nature=nature, setup=setup, spans=spans)
    notes = spans.notes(long.fates, name=name, setup=setup)
    return _with_influences(replace(long, notes=(*long.notes, *notes)), influences)


def _with_influences(found: LogEvidence, influences: Influences) -> LogEvidence:
    """Add what the log says beside its mixture."""
    return replace(
        found, peaks=influences.onto(found.peaks), notes=(*found.notes, *influences.notes())
    )


def _without_silent(samples: pd.DataFrame) -> pd.DataFrame:
    """Leave out a whole log's channels that choose a filter and never say anything."""
    names = (*WARMTH, *DRIVERS)
    return samples.drop(columns=[c for c in names if c in samples and samples[c].isna().all()])


def _reduce_long(
    first: pd.DataFrame,
    rest: Iterator[pd.DataFrame],
    *,
    found: LogEvidence,
    nature: LogNature,
    setup: Setup,
    spans: Spans,
) -> LogEvidence:
    running = _Running(first, nature, setup)
    peaks = RunningPeaks(setup.axes, tuple(c for c in peak_columns(setup) if c in first))
    visits = np.zeros(setup.axes.size, dtype=np.int64)
    margin = setup.steady.outside_margin_cells
    driven = DrivenLoads(setup.axes, margin_cells=margin)
    heat = heat_peaks(first, setup)

    def counted(samples: pd.DataFrame) -> pd.DataFrame:
        placed = with_places(samples, max_gap_s=setup.steady.max_gap_s)
        rpm, load = (placed[c].to_numpy(dtype=float) for c in ("rpm", "load"))
        cell = nearest_cell(setup.axes, rpm, load)
        visits[:] += count_nearest(setup.axes, rpm, load, margin_cells=margin, cell=cell)
        peaks.add(rpm, load, samples, cell)
        driven.add_samples(placed, setup.steady)
        if heat is not None:
            time_s, readings = (samples[c].to_numpy(dtype=float) for c in ("time_s", HEAT_COLUMN))
            heat.add(time_s, rpm, load, readings)
        spans.add(samples)
        return samples

    with ReadAhead(map(counted, chain([first], rest)), depth=COUNTED_AHEAD) as ahead:
        for samples in ahead:
            running.add(samples)
    running.finish()
    return replace(
        found,
        holds=running.holds().assign(log=found.name),
        fates=pd.Series(running.fates, dtype=int).rename("count"),
        samples=sum(running.fates.values()),
        peaks=with_heat(peaks.table(), heat),
        visits=visits,
        passes=running.passes,
        driven=driven.table(),
    )


class _Running:
    """Carries what is not settled yet from part to part."""

    def __init__(self, first: pd.DataFrame, nature: LogNature, setup: Setup) -> None:
        self._nature, self._setup = nature, setup
        settings, refresh = setup.steady, nature.refresh
        self._main = tuple(refresh.rows)
        others = [nature.warmth, nature.driver]
        others += [c for c in (*TRIM_COLUMNS, *HIDING.values()) if c in first]
        self._others = tuple(dict.fromkeys(c for c in others if c is not None))
        self._max_gap_s = longest_gap_s(refresh, settings)
        self._context = travel_rows(refresh.interval_s, settings) + MARGIN_ROWS
        delay = nature.delay
        latest_s = delay.delay_s + delay.flow_delay_s * (FLOW_SPAN - 1.0)
        self._lookahead_s = max(latest_s, 0.0) + 3.0 * refresh.interval_s
        self._raw: Columns = {}
        self._own = 0  # first row of the buffer's line that is not settled
        self._last: dict[str, float] = {}
        self._load_before = float("nan")  # mean load of the last stretch that is settled
        self._holds: list[pd.DataFrame] = []
        self.fates = dict.fromkeys(FATES, 0)
        self.passes: pd.DataFrame | None = None

    def add(self, samples: pd.DataFrame) -> None:
        """Settle what can be settled with this part."""
        names = ("time_s", *self._main, *self._others)
        fresh = {
            name: samples[name].to_numpy(dtype=float)
            if name in samples
            else np.full(len(samples), np.nan)
            for name in names
        }
        for name in self._others:
            fresh[name] = self._carried_forward(name, fresh[name])
        if self._raw:
            fresh = {name: np.concatenate([self._raw[name], fresh[name]]) for name in names}
        self._raw = fresh
        self._settle(is_end=False)

    def finish(self) -> None:
        """Settle the rest."""
        self._settle(is_end=True)

    def holds(self) -> pd.DataFrame:
        """Return all holds in order of time."""
        kept = [holds for holds in self._holds if not holds.empty] or self._holds[:1]
        return pd.concat(kept, ignore_index=True)

    def _carried_forward(self, name: str, values: Floats) -> Floats:
        """Fill blanks with the last known value, that of an earlier part included."""
        if not np.isfinite(values.sum()):
            filled = np.concatenate([[self._last.get(name, np.nan)], values])
            values = pd.Series(filled).ffill().to_numpy(dtype=float)[1:]
        self._last[name] = float(values[-1])
        return values

    def _settle(self, *, is_end: bool) -> None:
        raw = self._raw
        keep, main = continue_time_line(raw, self._nature.refresh, self._nature.reaches_s)
        line = (
            {**raw, **main}
            if keep is None
            else {**{name: raw[name][keep] for name in ("time_s", *self._others)}, **main}
        )
        count = len(line["time_s"])
        if count == 0:
            return
        masks, lam, is_joined = self._masks(line)
        usable = np.logical_and.reduce(list(masks.values()))
        cut = count if is_end else self._cut(line["time_s"], is_joined)
        if cut <= self._own:
            return
        owned = slice(self._own, cut)
        own = {name: mask[owned] for name, mask in masks.items()}
        self._take(line, lam, own, usable, is_joined, owned=owned)
        start = max(cut - self._context, 0)
        self._own = cut - start
        first_raw = (
            start if keep is None else int(keep[start]) if start < len(keep) else len(raw["time_s"])
        )
        self._raw = {name: values[first_raw:].copy() for name, values in raw.items()}

    def _masks(self, line: Mapping[str, Floats]) -> tuple[dict[str, Mask], Floats | None, Mask]:
        """Every filter's mask, named after the fate of what it takes; lambda; what is joined."""
        setup, nature = self._setup, self._nature
        settings, axes = setup.steady, setup.axes
        time_s, rpm, load = line["time_s"], line["rpm"], line["load"]
        is_known = np.isfinite(rpm) & np.isfinite(load)
        lam = None
        if "lambda" in line:
            lam = align_values(
                time_s, rpm, load, line["lambda"], nature.delay, max_gap_s=self._max_gap_s
            )
        standing = find_standing(
            time_s,
            rpm,
            load,
            axes=axes,
            offset=load_offset(axes, setup.limits.barometer_kpa),
            interval_s=nature.refresh.interval_s,
            settings=settings,
            bands=nature.bands,
        )
        masks: dict[str, Mask] = {
            "no value": is_known,
            "engine cold": self._is_warm(line),
            **teaching_masks(line, len(time_s)),
            "fuel cut": self._is_fuelled(line, lam),
            "outside the table": np.asarray(
                inside_axes(axes, rpm, load, margin_cells=settings.outside_margin_cells), dtype=bool
            ),
            "no target there": is_known
            if np.isfinite(setup.target.table).all()
            else np.asarray(np.isfinite(target_at(axes, setup.target.table, rpm, load))),
            "moving": standing.is_steady,
            "sweeping": standing.is_standing,
        }
        return masks, lam, standing.is_joined

    def _is_warm(self, line: Mapping[str, Floats]) -> Mask:
        name = self._nature.warmth
        if name is None:
            return warm_by_clock(line["time_s"], self._nature.start_s, self._setup.steady)
        return tells_warm(name, line[name], self._setup.steady)

    def _is_fuelled(self, line: Mapping[str, Floats], lam: Floats | None) -> Mask:
        """Look at the samples that could be a fuel cut; the target is looked up there only."""
        fuelled = np.ones(len(line["time_s"]), dtype=bool)
        if lam is None:
            return fuelled
        setup, name = self._setup, self._nature.driver
        driver = None if name is None else line[name]
        table = setup.target.table
        lowest = np.nanmin(table) if np.isfinite(table).any() else 1.0
        maybe = np.flatnonzero(
            is_cut(
                lam,
                driver,
                target=min(float(lowest), 1.0),
                settings=setup.steady,
                ignition=setup.engine.ignition,
            )
        )
        if not len(maybe):
            return fuelled
        target = target_at(setup.axes, table, line["rpm"][maybe], line["load"][maybe])
        fuelled[maybe] = ~is_cut(
            lam[maybe],
            None if driver is None else driver[maybe],
            target=np.where(np.isfinite(target), target, 1.0),
            settings=setup.steady,
            ignition=setup.engine.ignition,
        )
        return smooth_mask(fuelled)

    def _cut(self, time_s: Floats, is_joined: Mask) -> int:
        """Find the last row before which everything is settled: between places.

        A filter such as a fuel cut may break a place, whose travel is seen as a whole all the same.
        """
        by_rows = len(time_s) - self._context
        by_time = int(np.searchsorted(time_s, time_s[-1] - self._lookahead_s))
        end = min(by_rows, by_time)
        if end <= self._own:
            return self._own
        for width in (1024, end - self._own):  # a border is near, as a rule
            low = max(self._own, end - width)
            borders = np.flatnonzero(~is_joined[low + 1 : end + 1])
            if len(borders):
                return low + int(borders[-1]) + 1
        is_too_long = end - self._own > LONGEST_WAIT * self._setup.steady.estimate_rows
        return end if is_too_long else self._own

    def _take(
        self,
        line: Mapping[str, Floats],
        lam: Floats | None,
        masks: dict[str, Mask],
        usable: Mask,
        is_joined: Mask,
        *,
        owned: slice,
    ) -> None:
        """Reduce settled rows to holds and count what became of them."""
        setup, nature = self._setup, self._nature
        rows: npt.NDArray[np.int64] = np.flatnonzero(usable[owned]) + owned.start
        time_s, rpm, load = (line[name][rows] for name in ("time_s", "rpm", "load"))
        target = target_at(setup.axes, setup.target.table, rpm, load)
        need, stop = need_values(
            None if lam is None else lam[rows],
            target_lambda=target,
            trims={name: line[name][rows] for name in TRIM_COLUMNS if name in line},
            stops=nature.stops,
            settings=setup.steady,
        )
        stretch = number_stretches(
            usable[owned],
            line["time_s"][owned],
            max_gap_s=self._max_gap_s,
            is_joined=is_joined[owned],
        )[rows - owned.start]
        holds, fate, _ = reduce_stretches(
            Stretches(time_s, rpm, load, need, target, stop, stretch, self._load_before),
            settle_s=nature.settling.settle_s,
            interval_s=nature.refresh.interval_s,
            settings=setup.steady,
            noise=nature.noise,
        )
        if len(stretch):
            self._load_before = float(np.mean(load[stretch == stretch[-1]]))
        self._holds.append(holds)
        self._add_passes(line, masks, owned)
        for name, count in count_fates(masks, fate).items():
            self.fates[str(name)] += int(count)

    def _add_passes(self, line: Mapping[str, Floats], masks: dict[str, Mask], owned: slice) -> None:
        """Sum what was seen on the way; ``masks`` are those of the settled rows."""
        nature = self._nature
        found = sum_log_passes(
            {name: values[owned.start :] for name, values in line.items()},
            line["lambda"][owned.start :] if "lambda" in line else None,
            masks=masks,
            delay=nature.delay,
            stops=nature.stops,
            setup=self._setup,
        )
        self.passes = found if self.passes is None else self.passes + found
