"""Forms of the stages on frames, for tests that write samples down as tables."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from tuneassist.evidence.holds import OUTCOME_WORDS, Stretches, reduce_stretches
from tuneassist.evidence.need import STOP_WORDS
from tuneassist.evidence.refresh import Refresh, carried_forward, find_refresh, on_time_line
from tuneassist.evidence.visits import RunningPeaks
from tuneassist.grid import Axes
from tuneassist.one_log import LogNature
from tuneassist.reduction import HELD, BlocksSeen, HoldSums
from tuneassist.settings import Setup, SteadySettings
from tuneassist.settled import settled_rows


def columns_of(frame: pd.DataFrame) -> dict[str, np.ndarray]:
    """Return a frame's columns as arrays."""
    return {str(name): frame[name].to_numpy(dtype=float) for name in frame}


def time_line_of(
    samples: pd.DataFrame, main: tuple[str, ...], max_gap_s: float = 1.0
) -> tuple[pd.DataFrame, Refresh]:
    """Bring a whole log to its time line, blanks of other channels carried forward."""
    columns = columns_of(samples)
    asked = {name: columns[name] for name in ("time_s", *main)}
    refresh, reaches = find_refresh(asked, max_gap_s=max_gap_s)
    others = {n: carried_forward(values) for n, values in columns.items() if n not in asked}
    _, line = on_time_line({**asked, **others}, refresh, reaches)
    return pd.DataFrame(line)[list(samples)], refresh


def reduce_to_holds(
    line: pd.DataFrame,
    *,
    stretch: np.ndarray,
    settle_s: float,
    interval_s: float,
    settings: SteadySettings,
) -> tuple[pd.DataFrame, pd.Series]:
    """Reduce stretches whose stops and fates are written as words."""
    names = ("time_s", "rpm", "load", "need_ln", "target_lambda")
    stop = np.array([STOP_WORDS.index(word) for word in line["is_at_stop"]], dtype=np.int8)
    arrays = (line[name].to_numpy(dtype=float) for name in names)
    holds, fate, _ = reduce_stretches(
        Stretches(*arrays, stop, stretch),
        settle_s=settle_s,
        interval_s=interval_s,
        settings=settings,
    )
    return holds, pd.Series(np.array(OUTCOME_WORDS, dtype=object)[fate], index=line.index)


def sums_of(
    parts: Iterable[pd.DataFrame], nature: LogNature, setup: Setup
) -> tuple[pd.DataFrame, pd.Series, pd.DataFrame]:
    """Return holds, fates and blocks of a log in parts of which everything was found out."""
    holds, blocks = HoldSums(nature, setup), BlocksSeen(nature, setup)
    for settled in settled_rows(parts, nature=nature, setup=setup):
        blocks.add(settled, holds.add(settled) == HELD)
    return holds.table(), holds.fates(), blocks.table()


def channel_peaks(line: pd.DataFrame, axes: Axes, columns: tuple[str, ...]) -> pd.DataFrame:
    """Return the highest confirmed values of a whole log."""
    peaks = RunningPeaks(axes, tuple(name for name in columns if name in line))
    peaks.add(*(line[name].to_numpy(dtype=float) for name in ("rpm", "load")), line)
    return peaks.table()
