"""Time: from the cells of the time column to increasing seconds, with notes on corrections.

Loggers write seconds, milliseconds, a clock or a date with a clock. Their clocks are often coarser
than their rows, start again, or step back when they are set. The first part of a log shows how its
stamps are written; every part, the first included, is then read the same way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.errors import LogError
from tuneassist.reading.log import Cells, Floats, UnitHow
from tuneassist.units import UNITS

SHORTEST_STEP_S, LONGEST_STEP_S = 2e-4, 5.0
"""Sample intervals of a log: 5 kHz is beyond every shop's logger, and a hold of a few seconds
needs more than one sample in five. [s]"""
LONGEST_LOG_S = 48 * 3600.0
"""A longer log without a unit of time is taken for milliseconds read as seconds. [s]"""
_MS_STEP_S = 0.5  # shorter steps under the name of seconds cannot be milliseconds
_MIN_STEP_S = 5e-3  # shorter steps without a unit are as likely minutes as a log of over 200 Hz
_LEAST_MS_LOG_S = 2.0  # a shorter log in milliseconds is no session
LATEST_S = 1e13
"""A later stamp is no time: 300,000 years. [s]"""
MOST_PER_SECOND = 40
"""More rows than this under each stamp of two parts, 10:00, are rows of a minute and not of a
second: loggers that fast write parts of a second. Common practice, no source. [1]"""
_DAY_S, _HOUR_S, _MINUTE_S = 86400.0, 3600.0, 60.0
_STAMP = (
    r"^(?P<d>.*[\sT])?(?P<h>\d{1,3}):(?P<m>\d{2})(?::(?P<s>\d{2}))?(?P<f>[.,:]\d+)?"
    r"\s*(?P<half>[APap]\.?[Mm]\.?)?(?:Z|[+-]\d{2}:?\d{2})?$"
)
SESSION_PAUSE_S = 60.0
"""Pause put between two sessions when the time starts again; longer than any allowed gap. [s]"""
_RESTART_ROWS = 20  # this many rows in order after a step back are a session, fewer a glitch
_MOST_SESSIONS = 200  # in one file; more are steps back
MAX_FAULTY_SHARE = 0.2
"""With a larger share of its stamps before an earlier one, a column does not rise. [1]"""
RECENT_STAMPS = 64
"""Stamps looked at before and behind a part: enough to tell a session's start from a glitch. [1]"""
_SHARED_SHARE = 0.3  # with more rows than this under the stamp of another, stamps are coarse
_JUST_BELOW = 1.0 - 1e-9  # a row's share of its stamp's time: never the next stamp itself


@dataclass(frozen=True, eq=False)
class Timeline:
    """Seconds for each row of a part.

    Parameters
    ----------
    seconds
        Time of every row; nan where the row has no place in time. [s]
    dropped, notes
        As in `tuneassist.reading.log.Log`.
    """

    seconds: Floats
    dropped: tuple[tuple[str, int], ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def is_usable(self) -> npt.NDArray[np.bool_]:
        """Rows that have a place in time."""
        return np.isfinite(self.seconds)


@dataclass(frozen=True, eq=False)
class PartEnd:
    """State of the time between two parts of a log; initially before the first part.

    Parameters
    ----------
    shift_s
        What is added to the stamps: sessions that were put behind each other. [s]
    recent_s
        The last stamps, shifted. [s]
    coarse
        Rows that share a stamp, and the time to the next; None where stamps are fine. [1], [s]
    rows_of_last
        Rows so far that share the last stamp. [1]
    """

    shift_s: float
    recent_s: Floats
    coarse: tuple[int, float] | None = None
    rows_of_last: int = 0

    @property
    def is_start(self) -> bool:
        """Whether nothing has been read yet."""
        return not len(self.recent_s)

    @property
    def rows_forgotten(self) -> int:
        """Rows that share the last stamp and are no longer among the recent ones."""
        if self.is_start:
            return 0
        kept = int((self.recent_s == self.recent_s[-1]).sum())
        return max(0, self.rows_of_last - kept)


class TimeReader:
    """Reads the time of a log part by part.

    Parameters
    ----------
    cells
        The time column's cells in the first part, which tell how its stamps are written.
    unit, unit_how
        Unit word from the setup or the header, or None; and where it comes from.
    where
        File and column, for messages.
    entry
        The line for the setup with ``%s`` in place of the unit.

    Attributes
    ----------
    unit, unit_how
        Unit word as read, and where it comes from.
    is_clock
        The stamps are text that is read as a clock.
    notes
        What was assumed.

    Raises
    ------
    LogError
        When there are no stamps, they cannot be times of a log's rows, or their unit is in doubt.
    """

    def __init__(
        self, cells: Cells, *, unit: str | None, unit_how: UnitHow, where: str, entry: str
    ) -> None:
        self.unit: str
        self.unit_how: UnitHow
        self.notes: list[str]
        stamps = parse_stamps(cells)
        self.is_clock = stamps is not None
        self._where, self._wrap_s = where, stamps.wrap_s if stamps else _DAY_S
        self._parsed = (cells, stamps) if stamps else None  # for the first call of `read`
        self._origin_s, self._last_s = 0.0, float("nan")  # of a clock: first and last stamp
        if stamps is not None:
            refuse_minutes(stamps.seconds, stamps.wrap_s, where=where)
            self.notes = [stamps.note, *_unused_unit(unit, unit_how)]
            self.unit, self.unit_how = "s", "values"
            given = stamps.seconds[np.isfinite(stamps.seconds)]
            self._origin_s = float(given[0]) if len(given) else 0.0
        elif cells.stamp == "moment":
            _check_moments(_numeric_stamps(cells, where), where)
            self.notes = _unused_unit(unit, unit_how)
            self.unit, self.unit_how = "s", "inside"
        else:
            values = _numeric_stamps(cells, where)
            self.unit, self.unit_how, self.notes = _unit_of(
                values, unit, unit_how, where=where, entry=entry
            )
        self._end = PartEnd(0.0, np.empty(0))

    def read(self, cells: Cells, following: Cells | None = None) -> Timeline:
        """Turn the next part's stamps into seconds that rise.

        Parameters
        ----------
        cells
            The part's cells of the time column.
        following
            Those of the part behind it, or the first of them; None behind the last part.

        Raises
        ------
        LogError
            When the first part's stamps stand still, or fall more often than a glitch does.
        """
        head = _first_cells(following) if following is not None else None
        seconds, later = self._clock(cells, head) if self.is_clock else self._numbers(cells, head)
        end = self._end
        if end.coarse is None and _is_rising(end, seconds, later):
            recent = seconds if len(seconds) >= RECENT_STAMPS else np.append(end.recent_s, seconds)
            self._end = replace(end, recent_s=recent[-RECENT_STAMPS:], rows_of_last=1)
            return Timeline(seconds)
        line, self._end = _rising(
            _plausible_stamps(seconds), end, _plausible_stamps(later), self._where
        )
        return line

    def _numbers(self, cells: Cells, following: Cells | None) -> tuple[Floats, Floats]:
        factor, shift_s = UNITS[self.unit].factor, self._end.shift_s
        later = following.numbers if following is not None else np.empty(0)
        return cells.numbers * factor + shift_s, later * factor + shift_s

    def _clock(self, cells: Cells, following: Cells | None) -> tuple[Floats, Floats]:
        """Carry clock stamps on past midnight, in seconds since the first."""
        own = self._stamps(cells)
        both = own if following is None else np.concatenate([own, self._stamps(following)])
        last_s = None if np.isnan(self._last_s) else self._last_s % self._wrap_s
        days_s = 0.0 if last_s is None else self._last_s - last_s
        both = _past_midnight(both, self._wrap_s, last_s)
        given = both[: len(own)][np.isfinite(both[: len(own)])]
        if len(given):
            self._last_s = float(given[-1]) + days_s
        both = both + (self._end.shift_s - self._origin_s + days_s)
        return both[: len(own)], both[len(own) :]

    def _stamps(self, cells: Cells) -> Floats:
        found: Stamps | None
        if self._parsed is not None and self._parsed[0] is cells:
            found, self._parsed = self._parsed[1], None
        else:
            found = parse_stamps(cells, wrap_s=self._wrap_s)
        return np.full(len(cells.numbers), np.nan) if found is None else found.seconds


def _first_cells(cells: Cells) -> Cells:
    """Return the first cells of a part, as many as the part before must see."""
    words = cells.words.iloc[:RECENT_STAMPS] if cells.words is not None else None
    return Cells(cells.numbers[:RECENT_STAMPS], words, stamp=cells.stamp)


def _plausible_stamps(seconds: Floats) -> Floats:
    return np.where(np.isfinite(seconds) & (np.abs(seconds) < LATEST_S), seconds, np.nan)


# --- stamps that are written as a clock -----------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Stamps:
    """Text stamps read as a clock.

    Parameters
    ----------
    seconds
        Seconds since the day's (or hour's) start; nan where there is no stamp. [s]
    wrap_s
        What the clock starts again after. [s]
    """

    seconds: Floats
    wrap_s: float

    @property
    def note(self) -> str:
        """A sentence about the reading."""
        if self.wrap_s == _HOUR_S:
            return "Time stamps of two parts were read as minutes and seconds."
        return "Time stamps were read as a clock, in seconds since the first."


def parse_stamps(cells: Cells, *, wrap_s: float | None = None) -> Stamps | None:
    """Read clock stamps; None when the column holds none.

    Parameters
    ----------
    cells
        The column.
    wrap_s
        What the stamps of an earlier part start again after; None finds it. [s]
    """
    if cells.stamp == "clock":
        return Stamps(cells.numbers, _DAY_S)
    if cells.words is None:
        return None
    is_first = wrap_s is None
    if is_first and cells.text_count < 0.5 * max(1, int((cells.words != "").sum())):
        return None
    parts = _StampParts(cells.words)
    is_stamp = parts.are("m")
    if is_first and is_stamp.sum() < 0.5 * cells.text_count:
        return None
    if wrap_s is None:
        wrap_s = _HOUR_S if parts.are_short() else _DAY_S
    first, second, third = (parts.numbers(key) for key in "hms")
    tail = np.nan_to_num(parts.numbers("f"))
    if wrap_s == _HOUR_S:
        seconds = 60.0 * first + second + tail
    else:
        half = parts.are("half")
        hour = np.where(half, first % 12 + 12 * parts.are("half", "^[Pp]"), first)
        seconds = hour * _HOUR_S + 60.0 * second + np.nan_to_num(third) + tail
    return Stamps(np.where(is_stamp, seconds, np.nan), wrap_s)


class _StampParts:
    """What stamps are made of, cut by pyarrow: a clock is read in every row of a log."""

    def __init__(self, words: pd.Series[str]) -> None:
        import pyarrow as pa
        from pyarrow import compute

        self._found = compute.extract_regex(pa.array(words, pa.string()), pattern=_STAMP)

    def _texts(self, key: str) -> Any:
        from pyarrow import compute

        return compute.fill_null(compute.struct_field(self._found, key), "")

    def are(self, key: str, like: str = ".") -> npt.NDArray[np.bool_]:
        """Tell the stamps that have this part, and it like this."""
        from pyarrow import compute

        is_there = compute.match_substring_regex(self._texts(key), like)
        return np.asarray(is_there).astype(bool)

    def numbers(self, key: str) -> Floats:
        """Return a part as numbers; a fraction's begins with its sign."""
        import pyarrow as pa
        from pyarrow import compute

        texts = self._texts(key)
        if key == "f":
            texts = compute.replace_substring_regex(texts, "^[.,:]", "0.")
        texts = compute.if_else(compute.equal(texts, ""), pa.scalar(None, pa.string()), texts)
        return np.asarray(compute.cast(texts, pa.float64())).astype(float)

    def are_short(self) -> bool:
        """Tell minutes and seconds: two parts, and neither date nor half of the day before."""
        proof = self.are("half") | self.are("d", "[0-9]")
        return bool(not self.are("s").any() and np.mean(proof[self.are("m")]) < 0.5)


def refuse_minutes(seconds: Floats, wrap_s: float, *, where: str) -> None:
    """Refuse stamps that have minutes only: many rows share one, and nothing tells them apart.

    Parameters
    ----------
    seconds
        Stamps, nan where there is none. [s]
    wrap_s
        What they start again after. [s]
    where
        File and column, for messages.

    Raises
    ------
    LogError
        Says what to export instead.
    """
    good = seconds[np.isfinite(seconds)]
    if len(good) < 2:
        return
    mend = "Export the time with seconds and parts of a second, or as elapsed seconds."
    if wrap_s == _HOUR_S:
        each = len(good) / (1 + np.count_nonzero(np.diff(good)))
        if each > MOST_PER_SECOND and not (good % 1.0).any():
            raise LogError(
                "the time stamps of two parts could be hours and minutes or minutes and seconds: "
                f"about {each:.0f} rows share each.",
                where=where,
                mend=mend,
            )
    elif not (good % _MINUTE_S).any():
        raise LogError(
            "the time stamps have minutes only, so that rows within a minute cannot be told apart.",
            where=where,
            mend=mend,
        )


def _past_midnight(stamps: Floats, wrap_s: float, last_s: float | None) -> Floats:
    """Carry clock stamps on past midnight, or the hour, from the last one before. [s]"""
    is_stamp = np.isfinite(stamps)
    good = stamps[is_stamp]
    if not len(good):
        return stamps
    before = good[0] if last_s is None else last_s
    turns = np.cumsum(np.diff(good, prepend=before) < -0.5 * wrap_s)
    out = np.full(len(stamps), np.nan)
    out[is_stamp] = good + wrap_s * turns
    return out


# --- the unit of stamps that are plain numbers ----------------------------------------------------


def _steps(values: Floats) -> Floats:
    steps = np.diff(values[np.isfinite(values)])
    return np.asarray(steps[steps > 0])


def _is_plausible(values: Floats, unit: str, *, is_given: bool = False) -> bool:
    factor = UNITS[unit].factor
    steps = _steps(values) * factor
    if not len(steps):
        return False
    step_s = float(np.median(steps))
    if is_given and step_s < _MS_STEP_S:
        return step_s >= SHORTEST_STEP_S
    return (
        SHORTEST_STEP_S <= step_s <= LONGEST_STEP_S
        and float(np.sum(steps[steps < LONGEST_LOG_S])) <= LONGEST_LOG_S
    )


def _found_unit(values: Floats, unit: str | None, *, where: str, entry: str) -> tuple[str, UnitHow]:
    """Return the unit of numeric stamps and where it comes from."""
    if unit is not None:
        if _is_plausible(values, unit, is_given=True) or not len(_steps(values)):
            return unit, "header"
        fitting = [u for u in ("s", "ms", "min") if u != unit and _is_plausible(values, u)]
        step = float(np.median(_steps(values)))
        guess = f"; they look like {' or '.join(fitting)}" if fitting else ""
        raise LogError(
            f"time in {unit} cannot step by {step:g}{guess}.",
            where=where,
            mend=f"Under [channels] write: {entry % (fitting[0] if fitting else 's')}.",
        )
    steps = _steps(values)
    length = float(np.sum(steps))
    fitting = [u for u in ("s", "ms", "min") if _is_plausible(values, u)]
    if {"s", "ms"} <= set(fitting) and length * UNITS["ms"].factor < _LEAST_MS_LOG_S:
        fitting.remove("ms")  # less than two seconds of log in milliseconds is no session
    if len(steps) and float(np.median(steps)) >= _MIN_STEP_S and "min" in fitting[1:]:
        fitting.remove("min")
    if len(fitting) == 1 or not len(steps):
        return (fitting or ["s"])[0], "values"
    why = f"could be {' or '.join(fitting)}" if fitting else "fits neither s nor ms"
    raise LogError(
        f"the unit of time is not given, and a step of {float(np.median(steps)):g} {why}.",
        where=where,
        mend=f"Under [channels] write: {entry % (fitting or ['s'])[-1]}, with the right unit.",
    )


def _unit_of(
    values: Floats, unit: str | None, unit_how: UnitHow, *, where: str, entry: str
) -> tuple[str, UnitHow, list[str]]:
    """Return the unit of numeric stamps, where it comes from, and a sentence where it was found."""
    unit, found = _found_unit(values, unit, where=where, entry=entry)
    if found == "values":
        return unit, found, [f"Time has no unit; its steps are plausible only as {unit}."]
    return unit, unit_how, []


def _unused_unit(unit: str | None, unit_how: UnitHow) -> list[str]:
    """Say that the setup's unit was not used for stamps that carry their own."""
    if unit_how != "setup" or unit in (None, "s"):
        return []
    return [f"The time stamps carry their own unit; the setup's {unit} was not used."]


def _check_moments(values: Floats, where: str) -> None:
    """Refuse moments of the file's own type that are too coarse or too far apart for a log."""
    refuse_minutes(values, np.inf, where=where)
    steps = _steps(values)
    if len(steps) and not _is_plausible(values, "s", is_given=True):
        raise LogError(
            f"the time stamps step by {float(np.median(steps)):g} s, and a log's rows are "
            f"{SHORTEST_STEP_S:g} to {LONGEST_STEP_S:g} s apart.",
            where=where,
            mend="Name the right time column under [channels], or export the log again.",
        )


def _numeric_stamps(cells: Cells, where: str) -> Floats:
    """Return numeric stamps without lone spikes, for finding their unit."""
    values = cells.numbers[np.isfinite(cells.numbers)]
    if not len(values):
        what = f", the first cell is {cells.text_example[1]!r}" if cells.text_count else ""
        raise LogError(
            f"the time column holds no times{what}.",
            where=where,
            mend="Log the time in seconds, or as hh:mm:ss.",
        )
    falls = int((np.diff(values) < 0).sum())
    if MAX_FAULTY_SHARE * len(values) < falls < len(values) - 1:
        raise LogError(
            f"time does not rise: {falls} of {len(values)} stamps lie before the one above.",
            where=where,
            mend="Sort the log by time, or name the right column under [channels].",
        )
    return values


# --- seconds that rise ----------------------------------------------------------------------------


def _is_rising(end: PartEnd, seconds: Floats, later: Floats) -> bool:
    """Tell whether a part needs no correction, its last stamp included."""
    if end.is_start or not len(seconds) or not seconds[0] > end.recent_s[-1]:
        return False
    if not (np.diff(seconds) > 0).all():
        return False
    return not len(later) or bool(seconds[-1] < later[0])


def _rising(seconds: Floats, end: PartEnd, later: Floats, where: str) -> tuple[Timeline, PartEnd]:
    """Put sessions behind each other, leave steps back out, spread coarse stamps.

    Parameters
    ----------
    seconds
        Stamps as read, nan where there is none, shape (n,). [s]
    end
        Where the part before ended.
    later
        The first stamps of the next part: they tell what the last ones of this part are. [s]
    where
        File and column, for messages.
    """
    place = np.flatnonzero(np.isfinite(seconds))
    old = len(end.recent_s)
    stamps = np.concatenate([end.recent_s, seconds[place], later[np.isfinite(later)]])
    times, backward, behind, restarts = _in_order(stamps, end, old + len(place), where)
    kept = np.flatnonzero(~backward)
    shift_s = float(times[kept[-1]] - stamps[kept[-1]]) if len(kept) else 0.0
    times = times[kept]
    spread, repeated, coarse = _spread(times, end, behind)
    is_own = kept >= old
    own, is_new = place[kept[is_own] - old], ~repeated[is_own]
    out = np.full(len(seconds), np.nan)
    out[own[is_new]] = spread[is_own][is_new]
    counts = (
        ("no time stamp", len(seconds) - len(place)),
        ("time stepped back", int(backward.sum())),
        ("time stamp repeated", int((~is_new).sum())),
    )
    dropped = tuple((why, count) for why, count in counts if count)
    notes = _notes(restarts, coarse if end.is_start else None)
    after = PartEnd(
        end.shift_s + shift_s, times[-RECENT_STAMPS:], coarse, _rows_of_last(times, end)
    )
    return Timeline(out, dropped, notes), after


def _notes(restarts: int, coarse: tuple[int, float] | None) -> tuple[str, ...]:
    notes = []
    if restarts:
        notes.append(
            f"Time starts again {restarts} time(s); what follows was put "
            f"{SESSION_PAUSE_S:g} s later, as a session of its own."
        )
    if coarse:
        usual, tick = coarse
        notes.append(
            f"Several rows share a time stamp (about {usual} for each {tick:g} s); they were "
            "spread evenly over the time to the next stamp."
        )
    return tuple(notes)


def _in_order(
    stamps: Floats, end: PartEnd, stop: int, where: str
) -> tuple[Floats, npt.NDArray[np.bool_], Floats, int]:
    """Join sessions in the stamps around a part.

    Parameters
    ----------
    stamps
        The recent ones, the part's own, and the first of the next part. [s]
    end, where
        As for `_rising`.
    stop
        Where the next part's begin.

    Returns
    -------
    times, backward, behind, restarts
        Of the first two groups, those behind an earlier one marked; times of the next part that
        are in order; sessions that start in this part.
    """
    if end.is_start:
        _refuse_flat(stamps[:stop], where)
    times, backward, starts = _join_sessions(stamps)
    behind = times[stop:][~backward[stop:]]
    times, backward = times[:stop], backward[:stop]
    backward[: len(end.recent_s)] = False
    if end.is_start:
        refuse_falling(int(backward.sum()), stop, where)
    return times, backward, behind, sum(start < stop for start in starts)


def _join_sessions(times: Floats) -> tuple[Floats, npt.NDArray[np.bool_], list[int]]:
    """Shift sessions behind each other; mark the rows of short steps back; tell the starts."""
    backward = _lone_spikes(times)
    kept = np.flatnonzero(~backward)
    out = times[kept]
    starts: list[int] = []
    behind = out < np.maximum.accumulate(out)
    while len(starts) < _MOST_SESSIONS:
        start = _session_start(out, behind)
        if start is None:
            break
        out[start:] += float(out[:start].max()) - out[start] + SESSION_PAUSE_S
        starts.append(int(kept[start]))
        behind = out < np.maximum.accumulate(out)
    backward[kept[behind]] = True
    joined = times.copy()
    joined[kept] = out
    return joined, backward, starts


def _session_start(times: Floats, behind: npt.NDArray[np.bool_]) -> int | None:
    """Find the first rows in order that lie behind an earlier one, wherever the log was cut."""
    steps = _RESTART_ROWS - 1
    if len(times) <= steps or not behind.any():
        return None
    rises = behind[1:] & (np.diff(times) >= 0)
    count = np.concatenate([[0], np.cumsum(rises)])
    in_order = np.flatnonzero(behind[:-steps] & (count[steps:] - count[:-steps] == steps))
    return int(in_order[0]) if len(in_order) else None


def _lone_spikes(times: Floats) -> npt.NDArray[np.bool_]:
    """Mark single stamps that jump far ahead while the next goes on from the one before."""
    is_spike = np.zeros(len(times), dtype=bool)
    if len(times) < 4:
        return is_spike
    steps = np.diff(times)
    typical = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    goes_on = (times[2:] >= times[:-2]) & (times[2:] - times[:-2] < 10 * typical)
    is_spike[1:-1] = (steps[:-1] > 10 * typical) & (steps[1:] < 0) & goes_on
    return is_spike


def refuse_falling(backward: int, stamps: int, where: str) -> None:
    """Refuse time that falls more often than a glitch does."""
    if backward > MAX_FAULTY_SHARE * stamps:
        raise LogError(
            f"time does not rise: {backward} of {stamps} stamps lie before an earlier one.",
            where=where,
            mend="Sort the log by time, or name the right column under [channels].",
        )


def _refuse_flat(times: Floats, where: str) -> None:
    if len(times) < 2 or (np.diff(times) > 0).any():
        return
    what = "time stands still" if float(np.ptp(times)) == 0 else "time runs backwards"
    raise LogError(
        f"{what}: the first stamp is {times[0]:g} s, the last {times[-1]:g} s.",
        where=where,
        mend="Name the right time column under [channels].",
    )


def _coarse(times: Floats, is_new: npt.NDArray[np.bool_]) -> tuple[int, float] | None:
    """Tell how many rows usually share a stamp, and its step; None where stamps are fine."""
    if len(times) < 4 or (~is_new).sum() < _SHARED_SHARE * len(times):
        return None
    size = np.bincount(np.cumsum(is_new) - 1)
    return int(np.median(size)), float(np.median(np.diff(times[is_new])))


def _spread(
    times: Floats, end: PartEnd, behind: Floats
) -> tuple[Floats, npt.NDArray[np.bool_], tuple[int, float] | None]:
    """Spread rows that share a coarse stamp evenly; mark the few that repeat a fine one.

    How coarse stamps are is found in the first part of a log. The rows of a stamp may have begun
    before this part, or before the log, and may go on behind it.
    """
    is_new = np.append(True, np.diff(times) > 0)
    coarse = _coarse(times, is_new) if end.is_start else end.coarse
    if coarse is None:
        return times, ~is_new, None
    usual, tick = coarse
    group = np.cumsum(is_new) - 1
    size = np.bincount(group)
    rank = np.arange(len(times)) - np.flatnonzero(is_new)[group]
    to_come = _rows_to_come(times, behind)
    size[-1] += to_come or 0
    begun = 0 if end.is_start else group[len(end.recent_s) - 1]
    before = max(usual - int(size[0]), 0) if end.is_start else end.rows_forgotten
    rank = np.where(group == begun, rank + before, rank)
    size[begun] += before
    is_open = (group == len(size) - 1) & (to_come is None)
    share = rank / np.where(is_open, np.maximum(usual, size[group]), size[group])
    spans = _time_of_stamps(times[is_new], _next_stamp(times, behind), tick)[group]
    out = times + np.minimum(share, _JUST_BELOW) * spans
    return out, np.append(False, np.diff(out) <= 0), coarse


def _rows_to_come(times: Floats, behind: Floats) -> int | None:
    """Count the rows of the next part that share the last stamp; None where it may go on."""
    if not len(times) or not (behind > times[-1]).any():
        return None
    return int((behind == times[-1]).sum())


def _next_stamp(times: Floats, behind: Floats) -> float:
    """First stamp of the next part that is a new one; infinite where there is none. [s]"""
    later = behind[behind > times[-1]] if len(times) else behind[:0]
    return float(later.min()) if len(later) else np.inf


def _time_of_stamps(stamps: Floats, next_s: float, tick: float) -> Floats:
    """Time over which the rows of each stamp are spread: never past the next stamp. [s]"""
    return np.minimum(np.diff(stamps, append=next_s), tick)


def _rows_of_last(times: Floats, end: PartEnd) -> int:
    """Count the rows so far that share the last stamp."""
    if not len(times):
        return 0
    count = len(times) - int(np.searchsorted(times, times[-1]))
    return count + end.rows_forgotten if times[0] == times[-1] else count
