"""Parts of a log to settled rows: those that no later row can change, in order, each once.

Parts are joined so that it does not matter where they were cut: rows are settled only when the rows
that they hang on have been seen, and never in the middle of a stretch, so that a stretch across a
border is one hold.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tuneassist.characterise import as_columns
from tuneassist.evidence.delay import FLOW_SPAN
from tuneassist.evidence.refresh import carried_forward, on_time_line
from tuneassist.evidence.travel import travel_rows
from tuneassist.filters import Filtered, Mask, filter_places, with_lambda_in_place
from tuneassist.grid import Floats
from tuneassist.one_log import LogNature
from tuneassist.settings import Setup

#: A stretch that fills so many first parts is cut in two holds: memory is bounded. [1]
LONGEST_WAIT = 8
#: Rows kept beyond a long window on either side: spikes and cuts look at their neighbours. [rows]
MARGIN_ROWS = 8


@dataclass(frozen=True, eq=False)
class Settled:
    """Settled rows, for whatever is summed over a log.

    Parameters
    ----------
    rows
        The rows, with what each filter leaves of them, and lambda in its place.
    seen
        The time line from their first row on; it goes on beyond them, for lambda that is late.
    """

    rows: Filtered
    seen: Mapping[str, Floats]


def settled_rows(
    parts: Iterable[pd.DataFrame], *, nature: LogNature, setup: Setup
) -> Iterator[Settled]:
    """Yield a log's rows as soon as they are settled, in order, each once.

    Parameters
    ----------
    parts
        The log, in order of time, the first part included.
    nature
        What was found out about it.
    setup
        Axes, target and thresholds.
    """
    carried, rest = _Carried(nature, setup), iter(parts)
    samples = next(rest, None)
    while samples is not None:
        following = next(rest, None)
        found = carried.add(samples, is_last=following is None)
        if found is not None:
            yield found
        samples = following


class _Carried:
    """Carries what is not settled yet from part to part."""

    def __init__(self, nature: LogNature, setup: Setup) -> None:
        self._nature, self._setup = nature, setup
        delay, interval_s = nature.delay, nature.refresh.interval_s
        self._context = MARGIN_ROWS
        if np.isfinite(interval_s):
            self._context += travel_rows(interval_s, setup.steady)
        latest_s = delay.delay_s + delay.flow_delay_s * (FLOW_SPAN - 1.0) + delay.lag_s
        self._lookahead_s = max(latest_s, 0.0) + 3.0 * interval_s
        self._raw: dict[str, Floats] = {}
        self._own = 0  # first row of the buffer's line that is not settled
        self._last: dict[str, float] = {}

    def add(self, samples: pd.DataFrame, *, is_last: bool) -> Settled | None:
        """Take in a part; return what it settles, all of it where it is the last."""
        fresh = as_columns(samples, self._nature)
        for name in self._nature.others if len(samples) else ():
            fresh[name] = carried_forward(fresh[name], self._last.get(name, np.nan))
            self._last[name] = float(fresh[name][-1])
        if self._raw:
            fresh = {n: np.concatenate([self._raw[n], values]) for n, values in fresh.items()}
        self._raw = fresh
        return self._settle(is_last)

    def _settle(self, is_last: bool) -> Settled | None:
        raw, nature, setup = self._raw, self._nature, self._setup
        keep, line = on_time_line(raw, nature.refresh, nature.reaches_s)
        count = len(line["time_s"])
        if count == self._own:
            return None
        rows = filter_places(line, nature=nature, setup=setup)
        rows = with_lambda_in_place(rows, nature=nature, setup=setup)
        cut = count if is_last else self._cut(line["time_s"], rows.standing.is_joined)
        if cut <= self._own:
            return None
        own = self._own
        start = max(cut - self._context, 0)
        self._own = cut - start
        first = start if keep is None else int(keep[start]) if start < count else len(raw["time_s"])
        self._raw = {name: values[first:].copy() for name, values in raw.items()}
        seen = {name: values[own:] for name, values in line.items()}
        return Settled(rows.at(slice(own, cut)), seen)

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
