"""Logs of any length to holds, part by part, in bounded memory.

What has to be found out about a log (sampling, noise, the sensor's stops and delay, settling) is
found out in its first part (`tuneassist.characterise`) and held to. A short log is a log of one
part.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import chain

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.arguments import of_kind
from tuneassist.channels import load_offset
from tuneassist.characterise import characterise
from tuneassist.errors import LogError, SetupError
from tuneassist.evidence.as_logged import AsLogged
from tuneassist.evidence.groups import Groups
from tuneassist.evidence.holds import OUTCOME_WORDS, no_holds, reduce_stretches
from tuneassist.evidence.moving_blocks import MovingBlocks, lambda_when_moving, long_after_cut
from tuneassist.evidence.sample_checks import COLUMN_REMEDY, checked_parts
from tuneassist.evidence.side_channels import EXCLUDED_BY, SideChannels
from tuneassist.evidence.steady import DRIVERS, WARMTH
from tuneassist.evidence.time_trace import TimeTrace
from tuneassist.filters import Filtered, Mask, longest_gap_s, need_at, stretches_of
from tuneassist.one_log import (
    FATES,
    NO_LAMBDA,
    LogEvidence,
    LogNature,
    not_proven_warm,
    tail_notes,
)
from tuneassist.reading.source import Prefetcher
from tuneassist.settings import READ_SETUP, Setup
from tuneassist.settled import Settled, settled_rows
from tuneassist.threads import on_one_thread

#: Rows of a long log from which lambda's delay is estimated: some 65 moves at 10 rows a second.
#: The estimate's standard error is 0.053 s from 90 moves and 0.051 s from 1,400, of which the
#: model's own share is 0.05 s. [rows]
DELAY_ROWS = 10_000
#: Parts that wait for their reduction while the next is counted. [1]
COUNTED_AHEAD = 2
Codes = npt.NDArray[np.int8]
HELD = FATES.index("used")
_PLACES = np.array([FATES.index(word) if word else 0 for word in OUTCOME_WORDS], dtype=np.int8)
"""Place in `FATES` of each outcome of a stretch; every row of a stretch has one."""


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
    of_kind(
        samples, pd.DataFrame, what=f"the samples of {name}", mend=COLUMN_REMEDY, error=LogError
    )
    # a channel that never says anything chooses no filter; of files the reader leaves it out
    silent = [c for c in (*WARMTH, *DRIVERS) if c in samples and samples[c].isna().all()]
    samples, rows = samples.drop(columns=silent), setup.steady.estimate_rows
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
    first, second = next(rest), next(rest, None)
    influences = SideChannels(first, setup)
    first = influences.add(first)
    delay_rows = None if second is None else DELAY_ROWS
    nature = characterise(first, setup=setup, delay_rows=delay_rows)
    logged = AsLogged(first, setup)
    holds, blocks, trace = HoldSums(nature, setup), BlocksSeen(nature, setup), TimeTrace()
    more = () if second is None else map(influences.add, chain([second], rest))
    with Prefetcher(_counted(chain([first], more), logged), depth=COUNTED_AHEAD) as ahead:
        for settled in settled_rows(ahead, nature=nature, setup=setup):
            fate = holds.add(settled)
            blocks.add(settled, fate == HELD)
            _keep_some(trace, settled.rows, fate, nature=nature, setup=setup)
    found, fates = holds.table(), holds.fates()
    return LogEvidence(
        name=name,
        holds=found.assign(log=name),
        fates=fates,
        samples=int(fates.sum()),
        refresh=nature.refresh,
        delay=nature.delay,
        settling=nature.settling,
        stops=nature.stops,
        peaks=influences.onto(logged.peaks()),
        notes=(
            *_notes(nature, found, setup),
            *logged.spans.notes(fates, name=name, setup=setup),
            *influences.notes(),
        ),
        visits=logged.visits,
        blocks=blocks.table(),
        driven=logged.driven(),
        trace=trace.table(),
    )


def _keep_some(
    trace: TimeTrace, rows: Filtered, fate: Codes, *, nature: LogNature, setup: Setup
) -> None:
    """Hand a trace the samples that it wants."""
    line, at = rows.line, trace.wanted(len(fate))
    lam = None if rows.lam is None else rows.lam[at]
    _, need, _ = need_at(line, at, lam, nature=nature, setup=setup)
    time_s, rpm, load = (line[name][at] for name in ("time_s", "rpm", "load"))
    trace.add(time_s, rpm, load, need, [FATES[code] for code in fate[at]])


def _counted(parts: Iterable[pd.DataFrame], logged: AsLogged) -> Iterator[pd.DataFrame]:
    """Count each part as it was logged, and hand it on."""
    for samples in parts:
        logged.add(samples)
        yield samples


def _notes(nature: LogNature, holds: pd.DataFrame, setup: Setup) -> Iterator[str]:
    """Say what a user should know of the log before its evidence is used."""
    if nature.warmth is None:
        yield not_proven_warm(setup.steady)
    if "lambda" not in nature.refresh.rows:
        yield NO_LAMBDA
    yield from tail_notes(holds, nature.noise)


class HoldSums:
    """Holds, and what became of every sample.

    Parameters
    ----------
    nature
        What was found out about the log.
    setup
        Axes, target and thresholds.
    """

    def __init__(self, nature: LogNature, setup: Setup) -> None:
        self._nature, self._setup = nature, setup
        self._load_before = float("nan")  # mean load of the last stretch that is settled
        self._found: list[pd.DataFrame] = []
        self._fates = dict.fromkeys(FATES, 0)

    def fates(self) -> pd.Series:
        """Return the samples by what became of them, in the order of `FATES`."""
        return pd.Series(self._fates, dtype=int).rename("count")

    def table(self) -> pd.DataFrame:
        """Return all holds in order of time."""
        return pd.concat(self._found, ignore_index=True) if self._found else no_holds()

    def add(self, settled: Settled) -> Codes:
        """Take in settled rows, in order; return each one's place in `FATES`."""
        nature, setup = self._nature, self._setup
        line = stretches_of(settled.rows, nature=nature, setup=setup, load_before=self._load_before)
        holds, fate, _ = reduce_stretches(
            line,
            settle_s=nature.settling.settle_s,
            interval_s=nature.refresh.interval_s,
            settings=setup.steady,
            noise=nature.noise,
        )
        if len(line.stretch):
            self._load_before = float(Groups.of(line.stretch).mean(line.load)[-1])
        if not holds.empty:
            self._found.append(holds)
        codes = _fate_of_rows(settled.rows.masks, fate)
        counts = np.bincount(codes, minlength=len(FATES))
        for word, count in zip(FATES, counts, strict=True):
            self._fates[word] += int(count)
        return codes


def _fate_of_rows(masks: Mapping[str, Mask], fate: Codes) -> Codes:
    """Return each row's place in `FATES`: the first filter that took it, else its place in a hold.

    Parameters
    ----------
    masks
        Which rows each filter leaves, in order.
    fate
        Of the rows that all filters leave, as positions in `OUTCOME_WORDS`.
    """
    codes = np.zeros(len(next(iter(masks.values()))), dtype=np.int8)
    left = np.ones(len(codes), dtype=bool)
    for name, mask in masks.items():
        codes[left & ~mask] = FATES.index(name)
        left &= mask
    codes[left] = _PLACES[fate]
    return codes


class BlocksSeen:
    """Blocks of the samples between the holds, by lambda as logged.

    Parameters
    ----------
    nature, setup
        As for `HoldSums`.
    """

    def __init__(self, nature: LogNature, setup: Setup) -> None:
        self._nature, self._setup = nature, setup
        self._last_cut_s = -np.inf
        self._blocks = MovingBlocks(
            setup.axes,
            load_offset=load_offset(setup.axes, setup.limits.barometer_kpa),
            interval_s=nature.refresh.interval_s,
            max_gap_s=longest_gap_s(nature.refresh, setup.steady),
            has_lambda="lambda" in nature.refresh.rows,
        )

    def table(self) -> pd.DataFrame:
        """Return the blocks in order of time."""
        return self._blocks.table()

    def add(self, settled: Settled, is_held: Mask) -> None:
        """Take in settled rows, in order, and which of them are part of a hold."""
        rows, seen = settled.rows, settled.seen
        line, at = rows.line, np.flatnonzero(self._is_free(rows) & ~is_held)
        lam = None
        if "lambda" in line:
            columns = (seen[name] for name in ("time_s", "rpm", "load", "lambda"))
            lam = lambda_when_moving(*columns, delay=self._nature.delay, rows=at)
        _, value, stop = need_at(line, at, lam, nature=self._nature, setup=self._setup)
        need, usable = np.full(len(is_held), np.nan), np.zeros(len(is_held), dtype=bool)
        need[at] = np.where(stop == 0, value, np.nan)
        usable[at] = True
        self._blocks.add(line["time_s"], line["rpm"], line["load"], need, usable)

    def _is_free(self, rows: Filtered) -> Mask:
        """Rows that no filter but those of movement takes, nor just behind a cut or other fuel."""
        masks = rows.masks
        is_plain = masks["fuel cut"] & np.logical_and.reduce([masks[fate] for fate in EXCLUDED_BY])
        is_free, self._last_cut_s = long_after_cut(
            rows.line["time_s"], is_plain, self._setup.steady.window_s, self._last_cut_s
        )
        return rows.is_usable_moving & is_free
