"""Where the exhaust's heat belongs: a sensor that lags does not tell of the cell it is read in.

A thermocouple and the pipe around it follow the gas by seconds. A reading that falls is heat of
where the engine was when it last did not fall; one that is read soon after a move may be heat of
either place. So:

- a reading belongs to the cell in which it was read, or, while it falls, in which it last did not;
  on the way it counts as falling as long as it is no higher than what was just read at rest;
- a cell's temperature is that of readings at rest, when the engine has been there for some seconds;
  only a cell without any takes those read on the way;
- where the engine stayed for long and the reading still fell, its end is the most that the cell
  itself can have, and counts for it;
- a reading beyond the ceiling always counts: at rest for its cell, else, in doubt, for its cell and
  for all those that the engine passed in the seconds before.

Torque, pressure, duty and knock follow the engine at once and belong to the cell they are read in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.evidence.visits import RunningPeaks, nearest_cell
from tuneassist.grid import Axes, Floats

Mask = npt.NDArray[np.bool_]
Cells = npt.NDArray[np.int64]

HEAT_COLUMN = "exhaust_temp_c"
#: A reading is that of an engine at rest when speed and load have stayed for so long, and so near:
#: dead time of a sheathed thermocouple and of a slow bus. Common practice, no source. [s], [cells]
REST_S, REST_CELLS = 2.0, 0.5
#: A reading falls when it is below the highest of so many last seconds, and no higher than their
#: lowest, by more than its noise. Slower than that even a thick probe falls only where its reading
#: is nearly that of the gas. Common practice, no source. [s], [degC]
FALL_S, NOISE_C = 5.0, 5.0
#: Later than this after a part's start counts as then: no clock of a log runs for years. [s]
LONGEST_S = 1e9


@dataclass(frozen=True, eq=False)
class _Line:
    """Samples with a reading: time, place in cells, nearest cell, reading."""

    time_s: Floats
    x: Floats
    y: Floats
    cell: Cells
    heat: Floats

    def rows(self, at: slice) -> _Line:
        return _Line(self.time_s[at], self.x[at], self.y[at], self.cell[at], self.heat[at])

    def after(self, before: _Line | None) -> _Line:
        if before is None:
            return self
        pairs = ((getattr(before, name), getattr(self, name)) for name in self.__dataclass_fields__)
        return _Line(*(np.concatenate(pair) for pair in pairs))


class HeatPeaks:
    """Exhaust temperature of every cell, of samples that may come in parts.

    Parameters
    ----------
    axes
        Breakpoints.
    ceiling_c
        A reading beyond this counts wherever it may belong to. [degC]
    """

    def __init__(self, axes: Axes, *, ceiling_c: float) -> None:
        self._axes, self._ceiling = axes, ceiling_c
        self._rest, self._way, self._beyond = (RunningPeaks(axes, (HEAT_COLUMN,)) for _ in range(3))
        self._tail: _Line | None = None
        self._known: tuple[Mask, Mask] = np.zeros(0, dtype=bool), np.zeros(0, dtype=bool)
        self._source: tuple[int, bool] = -1, False

    def add(self, time_s: Floats, rpm: Floats, load: Floats, heat: Floats) -> None:
        """Take a part's samples into account, in order of time."""
        known = np.isfinite(rpm) & np.isfinite(load) & np.isfinite(heat) & np.isfinite(time_s)
        if not known.any():
            return
        rpm, load = rpm[known], load[known]
        x, y = (
            np.interp(values, points, np.arange(len(points)))
            for values, points in ((rpm, self._axes.rpm), (load, self._axes.load))
        )
        cell = nearest_cell(self._axes, rpm, load)
        first = 0 if self._tail is None else len(self._tail.heat)
        line = _Line(time_s[known], x, y, cell, heat[known]).after(self._tail)
        rest = _is_at_rest(line)
        falls = _is_falling(line) | _is_carried(line, rest)
        rest[:first], falls[:first] = self._known  # the start of what is kept has lost its past
        self._count(line, first, rest, falls)
        kept = slice(int(np.searchsorted(line.time_s, line.time_s[-1] - FALL_S - REST_S)), None)
        self._tail, self._known = line.rows(kept), (rest[kept], falls[kept])

    def column(self) -> Floats:
        """Second-highest reading that belongs to each cell, nan without one. [degC]"""
        rest, way, beyond = (
            tally.table()[f"{HEAT_COLUMN}_max"].to_numpy(dtype=float)
            for tally in (self._rest, self._way, self._beyond)
        )
        return np.asarray(np.fmax(np.where(np.isfinite(rest), rest, way), beyond))

    def _count(self, line: _Line, first: int, rest: Mask, falls: Mask) -> None:
        """Count the rows from ``first`` on; those before are there for what they tell."""
        source = np.maximum.accumulate(np.where(falls, -1, np.arange(len(line.heat))))
        cell = np.where(source < 0, self._source[0], line.cell[source])
        at_rest = np.where(source < 0, self._source[1], rest[source])
        self._source = int(cell[-1]), bool(at_rest[-1])
        is_new = np.arange(len(line.heat)) >= first
        _tally(self._rest, cell, line.heat, is_new & at_rest)
        _tally(self._way, cell, line.heat, is_new & ~at_rest)
        _tally(self._rest, line.cell, line.heat, _ends_of_falls(line, rest, falls, first))
        is_beyond = is_new & (line.heat > self._ceiling)
        _tally(self._beyond, cell, line.heat, is_beyond & (at_rest | (source < 0)))
        in_doubt = np.flatnonzero(is_beyond & ~at_rest & (source >= 0))
        self._count_passed(line, rest, source[in_doubt], line.heat[in_doubt])

    def _count_passed(self, line: _Line, rest: Mask, source: Cells, heat: Floats) -> None:
        """Count readings for every cell that was passed in the seconds up to their source.

        Left out are those in which the engine had rested and the reading stood below the ceiling.
        """
        if not len(source):
            return
        is_start = np.concatenate([[True], np.diff(line.cell) != 0])
        run, cell_of_run = np.cumsum(is_start) - 1, line.cell[is_start]
        cool = self._is_cool(line, rest, run)
        since = run[np.searchsorted(line.time_s, line.time_s[source] - REST_S)]
        count = run[source] - since + 1
        before = np.repeat(np.cumsum(count) - count, count)
        runs = np.repeat(since, count) + np.arange(int(count.sum())) - before
        values = np.repeat(heat, count)
        # a reading counts once for a cell, however often it was passed
        once = pd.DataFrame({"of": np.repeat(np.arange(len(heat)), count), "at": cell_of_run[runs]})
        is_first = ~once.duplicated(keep="last").to_numpy()
        own = np.repeat(run[source], count) == runs
        _tally(self._beyond, cell_of_run[runs], values, is_first & (own | ~cool[runs]))

    def _is_cool(self, line: _Line, rest: Mask, run: Cells) -> Mask:
        """Tell of each passage through a cell if it ended at rest, with a reading that stood."""
        low, _ = _range(line.time_s, line.heat, FALL_S)
        stands = (line.heat <= low + NOISE_C) & (line.heat <= self._ceiling)
        last = np.full(int(run[-1]) + 1, -1)
        at = np.flatnonzero(rest)
        np.maximum.at(last, run[at], at)
        return np.asarray((last >= 0) & stands[last])


def _tally(peaks: RunningPeaks, cell: Cells, heat: Floats, rows: Mask) -> None:
    if rows.any():
        values = heat[rows]
        peaks.add(values, values, pd.DataFrame({HEAT_COLUMN: values}), cell[rows])


def _is_at_rest(line: _Line) -> Mask:
    low_x, high_x = _range(line.time_s, line.x, REST_S)
    low_y, high_y = _range(line.time_s, line.y, REST_S)
    return np.asarray((high_x - low_x <= REST_CELLS) & (high_y - low_y <= REST_CELLS))


def _is_falling(line: _Line) -> Mask:
    low, high = _range(line.time_s, line.heat, FALL_S)
    return np.asarray((line.heat < high - NOISE_C) & (line.heat < low + NOISE_C))


def _ends_of_falls(line: _Line, rest: Mask, falls: Mask, first: int) -> Mask:
    """Last two readings of a long rest that fell to its end, seen from row ``first`` on."""
    moved_s = np.maximum.accumulate(np.where(rest, line.time_s[0], line.time_s))
    is_long = line.time_s - moved_s >= FALL_S - REST_S
    last = rest & falls & is_long & np.append(~rest[1:], False)
    last[: max(first - 1, 0)] = False
    before = np.append(last[1:], False) & falls
    return np.asarray(last | before)


def _is_carried(line: _Line, rest: Mask) -> Mask:
    """Readings on the way that are no higher than those at rest just before."""
    _, high = _range(line.time_s, np.where(rest, line.heat, -np.inf), FALL_S)
    return np.asarray(~rest & (line.heat <= high))


def _range(time_s: Floats, values: Floats, seconds: float) -> tuple[Floats, Floats]:
    """Lowest and highest value of the last seconds, this sample's included."""
    rising = np.minimum(np.maximum.accumulate(time_s) - time_s[0], LONGEST_S)
    series = pd.Series(values, index=pd.to_timedelta(rising, unit="s"))
    window = series.rolling(pd.Timedelta(seconds=seconds), closed="both")
    return window.min().to_numpy(dtype=float), window.max().to_numpy(dtype=float)
