"""Samples between the holds, as short blocks.

A moving engine tells about the surface too, once its movement is accounted for. Wall film, manifold
filling and boost that still comes up make lambda wrong while load and speed change, in proportion
to how far they have gone in the last moments. A block therefore carries, beside what it needs and
where it was, the high-passed logarithms of load and speed at a few time constants; their sizes are
fitted together with the surface (`tuneassist.evidence.random_effects`).

A block ends when the engine has gone half a cell, and after a few seconds at the latest. Blocks are
summed part by part, so that it does not matter where a log was cut.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.evidence.delay import SensorDelay, first_order_lag
from tuneassist.evidence.refresh import carried_forward
from tuneassist.evidence.visits import nearest_cell
from tuneassist.grid import Axes, Floats

Mask = npt.NDArray[np.bool_]

#: Time constants of the high-passed load and speed: port wall film at a warm and at a cool wall,
#: boost and exhaust that still settle. Wall films are given as 0.1 to 1.5 s (Hendricks and
#: Sorenson, SAE 900616, from memory). [s]
TRANSIENTS_S = (0.3, 1.0, 3.0)
#: Trims follow lambda through an integrator of some seconds. A transient as slow as that takes out
#: of them what they tell, so that it is left out where nothing but trims was logged. [s]
SLOWEST_IN_TRIMS_S = 1.0
#: A block ends after this time, or after this part of a cell. [s], [cells]
BLOCK_S, BLOCK_CELLS = 2.0, 0.5
#: No driven engine changes its speed faster than this but in a gear change or a broken reading: a
#: change from 4000 to 2600 rpm takes 0.3 s at least (common practice, no source). [1/s in ln rpm]
MAX_SPEED_RATE_PER_S = 1.5
#: Readings of speed and load are noisy; rates are taken over this time constant. [s]
RATE_S = 0.5
#: A reading that is off the median of the last so many by more than this is a spike; with a longer
#: interval between samples the others are too far away to show one. [1], [ln], [s]
SPIKE_ROWS, SPIKE_LN, SPIKE_INTERVAL_S = 5, 0.04, 0.3

#: Most blocks that are kept of a log, and where there are more, of a cell. Blocks of one log and
#: cell share an error of about a third of a block's own: beyond some twenty they hardly add to what
#: is known, and the time of the fit and the size of what is kept of a log stay bounded. [1]
MAX_BLOCKS, MAX_CELL_BLOCKS = 4000, 400
#: Blocks that wait until those beyond `MAX_CELL_BLOCKS` are dropped: memory is bounded. [1]
WAITING_BLOCKS = 50_000
#: Blocks are kept by lot. The draw is the same each time. [1]
LOT_SEED = 0

TRANSIENT_COLUMNS = tuple(
    f"{signal}_transient_{number}"
    for signal in ("load", "speed")
    for number in range(len(TRANSIENTS_S))
)
_MEANS = ("rpm", "load", "need_ln", "rate_per_s", *TRANSIENT_COLUMNS)
#: Times [s], mean place, samples, mean of what is needed [ln], mean rate of ln load and ln speed
#: together [1/s], and the transients [ln].
BLOCK_COLUMNS = ("start_s", "end_s", "samples", *_MEANS)
_ROW_COLUMNS = ("block", "time_s", *_MEANS)


def no_blocks() -> pd.DataFrame:
    """Return the table of a log without blocks."""
    return pd.DataFrame({name: np.empty(0) for name in BLOCK_COLUMNS})


class _Motion(NamedTuple):
    """How the engine moves at each row."""

    transients: list[Floats]
    rate_per_s: Floats
    travel_cells: Floats


class MovingBlocks:
    """Collects the blocks of one log, part after part.

    Parameters
    ----------
    axes
        Breakpoints; a block's length is counted in their cells.
    load_offset
        Added to load so that it counts from zero: the barometer on a gauge axis. [load unit]
    interval_s
        Time between samples. [s]
    max_gap_s
        After a longer pause everything starts anew. [s]
    has_lambda
        False where the need is read from trims alone.
    """

    def __init__(
        self,
        axes: Axes,
        *,
        load_offset: float,
        interval_s: float,
        max_gap_s: float,
        has_lambda: bool = True,
    ) -> None:
        self._axes, self._load_offset = axes, load_offset
        self._max_gap_s = max_gap_s
        self._is_fast = interval_s <= SPIKE_INTERVAL_S
        self._is_left_out = [
            not has_lambda and tau_s > SLOWEST_IN_TRIMS_S for tau_s in TRANSIENTS_S
        ]
        self._state: dict[str, float] = {}
        self._open = np.empty((0, len(_ROW_COLUMNS)))  # the rows of the block that goes on
        self._last_needs: Floats = np.zeros(0)
        self._time_s, self._clock, self._is_known = -np.inf, 0.0, False
        self._value_s, self._block, self._number, self._start = -np.inf, -1, -1, 0.0
        self._parts: list[Floats] = []  # number of each block, then `BLOCK_COLUMNS`
        self._waiting = 0

    def add(
        self, time_s: Floats, rpm: Floats, load: Floats, need_ln: Floats, is_usable: Mask
    ) -> None:
        """Add rows in order of time.

        Parameters
        ----------
        time_s, rpm, load
            Every row, usable or not, shape (n,). [s], [rpm], [load unit]
        need_ln
            What each needs, lambda read when it arrives; nan without a value. [ln]
        is_usable
            Rows that may be part of a block.
        """
        if not len(time_s):
            return
        before_s = self._time_s if np.isfinite(self._time_s) else time_s[0] - 2.0 * self._max_gap_s
        step_s = np.diff(time_s, prepend=before_s)
        is_fresh = step_s > self._max_gap_s
        if not self._is_known:  # the first known place starts the filters, not the blank before
            is_known = np.isfinite(rpm) & np.isfinite(load)
            self._is_known = bool(is_known.any())
            is_fresh[np.flatnonzero(is_known)[:1]] = True
        rpm, load = self._known("rpm", rpm), self._known("load", load)
        motion = self._motion(rpm, load, step_s, is_fresh)
        has_value = is_usable & np.isfinite(need_ln) & ~self._is_spike(need_ln, is_fresh)
        jump = self._change("speed as logged", np.log(np.maximum(rpm, 1.0)), is_fresh)
        has_value &= jump <= MAX_SPEED_RATE_PER_S * np.maximum(step_s, 1e-3)
        went = np.where(is_fresh, 0.0, step_s / BLOCK_S) + motion.travel_cells / BLOCK_CELLS
        # summed on from the part before, row by row, so that a cut changes no rounding
        clock = np.cumsum(np.append(self._clock, went))[1:]
        self._time_s, self._clock = float(time_s[-1]), float(clock[-1])
        rows = np.flatnonzero(has_value)
        if len(rows):
            block = self._numbered(time_s[rows], clock[rows]).astype(float)
            means = (rpm, load, need_ln, motion.rate_per_s, *motion.transients)
            self._close(np.column_stack([block, time_s[rows], *(one[rows] for one in means)]))

    def table(self) -> pd.DataFrame:
        """Return one row per block, `BLOCK_COLUMNS`, in order of time, at most `MAX_BLOCKS`."""
        rows = self._closed()
        if len(self._open):
            rows = np.concatenate([rows, _averaged(self._open)])
        if self._is_long:
            rows = self._chosen(rows, MAX_BLOCKS)
        return pd.DataFrame(rows[:, 1:], columns=list(BLOCK_COLUMNS))

    def _closed(self) -> Floats:
        return np.concatenate(self._parts or [np.empty((0, len(BLOCK_COLUMNS) + 1))])

    def _close(self, rows: Floats) -> None:
        """Average the blocks that have ended; the last may go on in the next part."""
        rows = np.concatenate([self._open, rows])
        last = int(np.searchsorted(rows[:, 0], rows[-1, 0]))
        self._open = rows[last:]
        if not last:
            return
        self._parts.append(_averaged(rows[:last]))
        self._waiting += len(self._parts[-1])
        if self._waiting > WAITING_BLOCKS and self._is_long:
            # `table` will not want the others, whatever follows
            self._parts, self._waiting = [self._chosen(self._closed(), None)], 0

    @property
    def _is_long(self) -> bool:
        """Whether there were more blocks than are kept, wherever the log was cut."""
        return self._block >= MAX_BLOCKS

    def _chosen(self, rows: Floats, most: int | None) -> Floats:
        """Choose so many blocks, or all that may still be wanted, spread over the cells."""
        rpm, load = (rows[:, 1 + BLOCK_COLUMNS.index(name)] for name in ("rpm", "load"))
        lots = np.random.default_rng(LOT_SEED).random(self._block + 1)[rows[:, 0].astype(np.int64)]
        cell = nearest_cell(self._axes, rpm, load)
        return rows[spread_over_cells(cell, lots, most or len(rows), MAX_CELL_BLOCKS)]

    def _motion(self, rpm: Floats, load: Floats, step_s: Floats, is_fresh: Mask) -> _Motion:
        transients, rate, travel = list[Floats](), np.zeros(len(rpm)), np.zeros(len(rpm))
        for name, values, points, offset in (
            ("load", load, self._axes.load, self._load_offset),
            ("speed", rpm, self._axes.rpm, 0.0),
        ):
            signal = np.log(np.maximum(values + offset, 1e-6))
            for tau_s, is_left_out in zip(TRANSIENTS_S, self._is_left_out, strict=True):
                slow = self._lagged(f"{name} {tau_s}", signal, step_s, is_fresh, tau_s)
                transients.append(np.zeros(len(signal)) if is_left_out else signal - slow)
            smooth = self._lagged(f"{name} rate", signal, step_s, is_fresh, RATE_S)
            place = np.interp(np.exp(smooth) - offset, points, np.arange(len(points), dtype=float))
            moved = self._change(f"{name} smooth", smooth, is_fresh)
            rate += moved / np.maximum(step_s, 1e-3)
            travel += self._change(f"{name} place", place, is_fresh)
        return _Motion(transients, rate, travel)

    def _lagged(
        self, name: str, signal: Floats, step_s: Floats, is_fresh: Mask, tau_s: float
    ) -> Floats:
        """Follow a signal with a first-order lag, on from the part before."""
        keep = np.where(is_fresh, 0.0, np.exp(-step_s / tau_s))
        found = first_order_lag(signal, keep, self._state.get(name, 0.0))
        self._state[name] = float(found[-1])
        return found

    def _change(self, name: str, values: Floats, is_fresh: Mask) -> Floats:
        """Return how far each value is from the one before, 0 after a pause."""
        moved = np.abs(np.diff(values, prepend=self._state.get(name, float(values[0]))))
        self._state[name] = float(values[-1])
        return np.where(is_fresh, 0.0, moved)

    def _known(self, name: str, values: Floats) -> Floats:
        """Fill blanks by the value before, of the part before as well; at the start by one."""
        known = carried_forward(values, self._state.get(f"{name} known", 1.0))
        self._state[f"{name} known"] = float(known[-1])
        return known

    def _is_spike(self, need_ln: Floats, is_fresh: Mask) -> Mask:
        if not self._is_fast:
            return np.zeros(len(need_ln), dtype=bool)
        last = np.concatenate([self._last_needs, need_ln])
        # blanks between, so that no value before a pause is compared with one behind it
        first = len(self._last_needs) + np.flatnonzero(is_fresh)
        blanks = np.repeat(first, SPIKE_ROWS - 1)
        spaced = np.insert(last, blanks, np.nan)
        is_row = np.insert(np.arange(len(last)) >= len(self._last_needs), blanks, False)
        middle = pd.Series(spaced).rolling(SPIKE_ROWS, min_periods=1).median().to_numpy()
        self._last_needs = spaced[1 - SPIKE_ROWS :]
        return np.asarray(np.abs(need_ln - middle[is_row]) > SPIKE_LN)

    def _numbered(self, time_s: Floats, clock: Floats) -> npt.NDArray[np.int64]:
        """Number the blocks of rows with a value, on from the part before."""
        is_new = np.diff(time_s, prepend=self._value_s) > self._max_gap_s
        starts = np.concatenate([[self._start], clock[is_new]])[np.cumsum(is_new)]
        number = np.floor(clock - starts).astype(np.int64)
        block = self._block + np.cumsum(is_new | (np.diff(number, prepend=self._number) != 0))
        self._value_s, self._start = float(time_s[-1]), float(starts[-1])
        self._block, self._number = int(block[-1]), int(number[-1])
        return np.asarray(block)


def _averaged(rows: Floats) -> Floats:
    """Average the rows of each block, `_ROW_COLUMNS`, to its number and `BLOCK_COLUMNS`."""
    first = np.flatnonzero(np.diff(rows[:, 0], prepend=rows[0, 0] - 1.0))
    count = np.diff(np.append(first, len(rows)))
    means = np.add.reduceat(rows[:, 2:], first, axis=0) / count[:, None]
    times = rows[first, 1], rows[first + count - 1, 1]
    return np.column_stack([rows[first, 0], *times, count.astype(float), means])


def spread_over_cells(
    cell: npt.NDArray[np.int64], lot: Floats, most: int, most_of_cell: int
) -> Mask:
    """Choose readings so that no cell has more of them than it must.

    Those with the lowest lots of each cell are chosen. What a smaller number chooses is part of
    what a larger one does, so that it does not matter when some are dropped.

    Parameters
    ----------
    cell, lot
        Cell and random lot of each, shape (n,).
    most
        How many to choose at most.
    most_of_cell
        How many of one cell at most.

    Examples
    --------
    >>> cell, lot = np.array([7, 7, 7, 9, 9]), np.array([0.5, 0.1, 0.9, 0.3, 0.2])
    >>> spread_over_cells(cell, lot, 4, 2)
    array([ True,  True, False,  True,  True])
    >>> spread_over_cells(cell, lot, 3, 2)
    array([False,  True, False, False,  True])
    """
    order = np.lexsort((lot, cell))
    of_cell = np.unique(cell, return_counts=True)[1]
    rank = np.empty(len(cell), dtype=np.int64)
    rank[order] = np.arange(len(cell)) - np.repeat(np.cumsum(of_cell) - of_cell, of_cell)
    # so many have each rank, and those of lower ones
    total = np.cumsum(np.bincount(np.minimum(rank, most_of_cell), minlength=1)[:most_of_cell])
    return np.asarray(rank < int(np.searchsorted(total, most, side="right")))


def _known(values: Floats) -> Floats:
    """Return values with blanks filled by the one before; at the start by the first known."""
    if np.isfinite(values.sum()):
        return values
    return np.asarray(pd.Series(values).ffill().bfill().fillna(1.0).to_numpy(dtype=float))


def lambda_when_moving(
    time_s: Floats,
    rpm: Floats,
    load: Floats,
    lam: Floats,
    *,
    delay: SensorDelay,
    rows: npt.NDArray[np.int64],
) -> Floats:
    """Lambda that belongs to moving samples, one per row: read later by delay and sensor lag.

    Parameters
    ----------
    time_s, rpm, load, lam
        The time line, lambda as logged; it may go on beyond the last row that is asked for. [s],
        [rpm], [load unit], [lambda]
    delay
        Delay of lambda.
    rows
        Samples at which it is asked for.
    """
    late_s = time_s[rows] + delay.at(rpm[rows], load[rows]) + delay.lag_s
    after = np.minimum(np.searchsorted(time_s, late_s), len(time_s) - 1)
    return np.where(late_s <= time_s[-1], lam[after], np.nan)


def long_after_cut(
    time_s: Floats, is_fuelled: Mask, dead_s: float, last_cut_s: float = -np.inf
) -> tuple[Mask, float]:
    """Mask of samples that are farther than a dead time behind the last fuel cut.

    Parameters
    ----------
    time_s, is_fuelled
        A part of the time line, shape (n,). [s]
    dead_s
        The dead time. [s]
    last_cut_s
        When an earlier part saw the last cut. [s]

    Returns
    -------
    mask, last_cut_s
        Shape (n,); and when the last cut was by now. [s]
    """
    cut_s = np.maximum.accumulate(np.append(last_cut_s, np.where(is_fuelled, -np.inf, time_s)))
    return np.asarray(time_s - cut_s[1:] > dead_s), float(cut_s[-1])
