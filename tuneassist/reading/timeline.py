"""The time channel: stamps to seconds that rise, with what was mended said.

Loggers write seconds, milliseconds, a clock or a date with a clock. Their clocks are often coarser
than their rows, start again, or step back when they are set.
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


@dataclass(frozen=True, eq=False)
class Timeline:
    """Seconds for each row, and which rows keep a place in time.

    Parameters
    ----------
    seconds
        Time of every row; nan where there is none. [s]
    is_usable
        Rows that are kept.
    dropped, notes
        As in `tuneassist.reading.log.Log`.
    unit, unit_how
        Unit word as read and where it comes from.
    is_clock
        The stamps are text that was read as a clock.
    going_on
        What a later part of the same log goes on from.
    """

    seconds: Floats
    is_usable: npt.NDArray[np.bool_]
    dropped: tuple[tuple[str, int], ...]
    notes: tuple[str, ...]
    unit: str
    unit_how: UnitHow
    is_clock: bool
    going_on: GoingOn


def build_timeline(
    cells: Cells,
    *,
    unit: str | None,
    unit_how: UnitHow,
    where: str,
    entry: str,
    ahead: Cells | None = None,
) -> Timeline:
    """Turn the cells of the time channel into rising seconds.

    Parameters
    ----------
    cells
        The column.
    unit
        Unit word from the setup or the header, or None.
    unit_how
        Where it comes from.
    where
        File and column, for messages.
    entry
        The line for the setup with ``%s`` in place of the unit.
    ahead
        The first cells of the next part, where there is one.

    Raises
    ------
    LogError
        When there are no stamps, they do not rise, or their unit is in doubt.
    """
    stamps = parse_stamps(cells)
    origin_s = last_s = 0.0
    if stamps is not None:
        refuse_minutes(stamps.seconds, stamps.wrap_s, where=where)
        notes = [stamps.note, *other_unit(unit, unit_how)]
        unit, unit_how = "s", "values"
        seconds, later = carried_with(stamps, ahead)
        last_s = _last(seconds)
        origin_s = float(seconds[np.isfinite(seconds)][0])
        seconds, later = seconds - origin_s, later - origin_s
    else:
        if cells.stamp == "moment":
            check_moments(judged_stamps(cells, where), where)
            notes, unit, unit_how = other_unit(unit, unit_how), "s", "inside"
        else:
            unit, unit_how, notes = unit_of(
                judged_stamps(cells, where), unit, unit_how, where=where, entry=entry
            )
        factor = UNITS[unit].factor
        seconds = cells.numbers * factor
        later = ahead.numbers * factor if ahead is not None else np.empty(0)
    straight = straighten(_believed(seconds), where, ahead=_believed(later))
    going_on = GoingOn(
        UNITS[unit].factor,
        straight.shift_s,
        straight.recent_s,
        straight.spread,
        straight.rank,
        stamps.wrap_s if stamps else None,
        last_s,
        origin_s,
    )
    return Timeline(
        straight.seconds,
        straight.is_usable,
        straight.dropped,
        (*notes, *straight.notes),
        unit,
        unit_how,
        stamps is not None,
        going_on,
    )


def _believed(seconds: Floats) -> Floats:
    return np.where(np.isfinite(seconds) & (np.abs(seconds) < 1e13), seconds, np.nan)


def _last(values: Floats) -> float:
    finite = values[np.isfinite(values)]
    return float(finite[-1]) if len(finite) else 0.0


def head_of(cells: Cells) -> Cells:
    """Return the first cells of a part, as many as the part before must see."""
    words = cells.words.iloc[:RECENT_STAMPS] if cells.words is not None else None
    return Cells(cells.numbers[:RECENT_STAMPS], words, stamp=cells.stamp)


def _is_rising(newest_s: float, seconds: Floats, later: Floats) -> bool:
    """Tell a part with nothing to mend, at a glance: not even its last stamp juts out."""
    if not (len(seconds) and seconds[0] > newest_s and (np.diff(seconds) > 0).all()):
        return False
    return not len(later) or bool(seconds[-1] < later[0])


def extend_timeline(
    cells: Cells, going_on: GoingOn, *, where: str, ahead: Cells | None = None
) -> tuple[Floats, tuple[tuple[str, int], ...], GoingOn]:
    """Go on with the time of a log in a further part.

    Parameters
    ----------
    cells
        The part's cells of the time column.
    going_on
        Where the part before ended.
    where
        File and column, for messages.
    ahead
        The first cells of the part that follows, where one does.

    Returns
    -------
    seconds, dropped, going_on
        Time of every row, nan where the row cannot be used [s]; reasons; where this part ends.
    """
    last_s = going_on.last_s
    if going_on.wrap_s is not None:
        stamps = parse_stamps(cells, wrap_s=going_on.wrap_s)
        if stamps is None:
            seconds: Floats = np.full(len(cells.numbers), np.nan)
            return seconds, (("no time stamp", len(seconds)),), going_on
        last_clock_s = last_s % going_on.wrap_s
        shift_s = going_on.shift_s - going_on.origin_s + (last_s - last_clock_s)
        seconds, later = carried_with(stamps, ahead, last_clock_s)
        last_s = _last(seconds) + (last_s - last_clock_s) if np.isfinite(seconds).any() else last_s
    else:
        shift_s = going_on.shift_s
        seconds = cells.numbers * going_on.factor
        later = ahead.numbers * going_on.factor if ahead is not None else np.empty(0)
    seconds, later = seconds + shift_s, later + shift_s
    if going_on.spread is None and _is_rising(float(going_on.recent_s[-1]), seconds, later):
        recent_s = (
            seconds[-RECENT_STAMPS:]
            if len(seconds) >= RECENT_STAMPS
            else np.append(going_on.recent_s, seconds)[-RECENT_STAMPS:]
        )
        return seconds, (), replace(going_on, recent_s=recent_s, rank=1, last_s=last_s)
    straight = straighten(_believed(seconds), where, after=going_on, ahead=_believed(later))
    going_on = replace(
        going_on,
        shift_s=going_on.shift_s + straight.shift_s,
        recent_s=straight.recent_s,
        rank=straight.rank,
        last_s=last_s,
    )
    return straight.seconds, straight.dropped, going_on


MOST_PER_SECOND = 40
"""More rows than this under each stamp of two parts, 10:00, are rows of a minute and not of a
second: loggers that fast write parts of a second. Common practice, no source. [1]"""
_DAY_S, _HOUR_S, _MINUTE_S = 86400.0, 3600.0, 60.0
_STAMP = (
    r"^(?P<d>.*[\sT])?(?P<h>\d{1,3}):(?P<m>\d{2})(?::(?P<s>\d{2}))?(?P<f>[.,:]\d+)?"
    r"\s*(?P<half>[APap]\.?[Mm]\.?)?(?:Z|[+-]\d{2}:?\d{2})?$"
)


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
    parts = _Parts(cells.words)
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


class _Parts:
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


def carried_on(stamps: Stamps, last_s: float | None = None) -> Floats:
    """Carry clock stamps on past midnight.

    Parameters
    ----------
    stamps
        As `parse_stamps` gave them.
    last_s
        The last stamp of an earlier part; None where this is the first. [s]

    Returns
    -------
    numpy.ndarray
        nan where there is no stamp. [s]
    """
    is_stamp = np.isfinite(stamps.seconds)
    good = stamps.seconds[is_stamp]
    if not len(good):
        return stamps.seconds
    before = good[0] if last_s is None else last_s
    turns = np.cumsum(np.diff(good, prepend=before) < -0.5 * stamps.wrap_s)
    out = np.full(len(stamps.seconds), np.nan)
    out[is_stamp] = good + stamps.wrap_s * turns
    return out


def carried_with(
    stamps: Stamps, ahead: Cells | None, last_s: float | None = None
) -> tuple[Floats, Floats]:
    """Do what `carried_on` does for a part and the cells that follow it."""
    later = parse_stamps(ahead, wrap_s=stamps.wrap_s) if ahead is not None else None
    both = stamps.seconds if later is None else np.concatenate([stamps.seconds, later.seconds])
    carried = carried_on(Stamps(both, stamps.wrap_s), last_s)
    return carried[: len(stamps.seconds)], carried[len(stamps.seconds) :]


SHORTEST_STEP_S, LONGEST_STEP_S = 2e-4, 5.0
"""Sample intervals of a log: 5 kHz is beyond every shop's logger, and a hold of a few seconds
needs more than one sample in five. [s]"""
LONGEST_LOG_S = 48 * 3600.0
"""A longer log without a unit of time is taken for milliseconds read as seconds. [s]"""
_MS_STEP_S = 0.5  # shorter steps under the name of seconds cannot be milliseconds
_MIN_STEP_S = 5e-3  # shorter steps without a unit are as likely minutes as a log of over 200 Hz


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


def _scale(values: Floats, unit: str | None, *, where: str, entry: str) -> tuple[str, UnitHow]:
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
    if {"s", "ms"} <= set(fitting) and length * UNITS["ms"].factor < 2.0:
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


def unit_of(
    values: Floats, unit: str | None, unit_how: UnitHow, *, where: str, entry: str
) -> tuple[str, UnitHow, list[str]]:
    """Return the unit of numeric stamps, where it comes from, and a sentence where it was found."""
    unit, found = _scale(values, unit, where=where, entry=entry)
    if found == "values":
        return unit, found, [f"Time has no unit; its steps are plausible only as {unit}."]
    return unit, unit_how, []


def other_unit(unit: str | None, unit_how: UnitHow) -> list[str]:
    """Say that the setup's unit was not used for stamps that carry their own."""
    if unit_how != "setup" or unit in (None, "s"):
        return []
    return [f"The time stamps carry their own unit; the setup's {unit} was not used."]


def check_moments(values: Floats, where: str) -> None:
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


def judged_stamps(cells: Cells, where: str) -> Floats:
    """Return numeric stamps without lone spikes, for judging their unit."""
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


SESSION_PAUSE_S = 60.0
"""Pause put between two sessions when the time starts again; longer than any allowed gap. [s]"""
_RESTART_ROWS = 20  # this many rows in order after a step back are a session, fewer a glitch
MAX_FAULTY_SHARE = 0.2
_MOST_SESSIONS = 200  # in one file; more are steps back
RECENT_STAMPS = 64
"""Stamps looked at before and behind a part: enough to tell a session's start from a glitch. [1]"""


@dataclass(frozen=True, eq=False)
class GoingOn:
    """Where the time of a log stands at the end of a part.

    Parameters
    ----------
    factor
        From stamps to seconds. [s]
    shift_s
        What is added to the stamps: sessions that were put behind each other. [s]
    recent_s
        The last stamps, shifted. [s]
    spread
        Rows that share a stamp, and the time to the next; None where stamps are fine. [1], [s]
    rank
        Rows so far that share the last stamp. [1]
    wrap_s, last_s, origin_s
        For a clock: what it starts again after, its last and its first stamp. [s]
    """

    factor: float
    shift_s: float
    recent_s: Floats
    spread: tuple[int, float] | None
    rank: int
    wrap_s: float | None = None
    last_s: float = 0.0
    origin_s: float = 0.0


@dataclass(frozen=True, eq=False)
class Straight:
    """Seconds that rise, and what `GoingOn` needs."""

    seconds: Floats
    is_usable: npt.NDArray[np.bool_]
    dropped: tuple[tuple[str, int], ...]
    notes: list[str]
    shift_s: float
    recent_s: Floats
    spread: tuple[int, float] | None
    rank: int


def straighten(
    seconds: Floats, where: str, *, after: GoingOn | None = None, ahead: Floats | None = None
) -> Straight:
    """Bring stamps to seconds that rise.

    Parameters
    ----------
    seconds
        Stamps as read, nan where there is none, shape (n,). [s]
    where
        File and column, for messages.
    after
        Where the part before ended; None for the first.
    ahead
        The first stamps of the next part, None where there is none: they tell what the last ones
        of this part are. [s]

    Raises
    ------
    LogError
        When the first part's stand still or fall more often than a glitch does.
    """
    is_given = np.isfinite(seconds)
    place = np.flatnonzero(is_given)
    before = after.recent_s if after else np.empty(0)
    later = np.empty(0) if ahead is None else ahead[np.isfinite(ahead)]
    stamps = np.concatenate([before, seconds[place], later])
    end = len(before) + len(place)
    if after is None:
        _refuse_flat(stamps[:end], where)
    times, backward, starts = _join_sessions(stamps)
    behind_it = times[end:][~backward[end:]]
    times, backward = times[:end], backward[:end]
    backward[: len(before)] = False
    restarts = sum(start < end for start in starts)
    if after is None:
        refuse_falling(int(backward.sum()), end, where)
    kept = np.flatnonzero(~backward)
    shift_s = float(times[kept[-1]] - stamps[kept[-1]]) if len(kept) else 0.0
    times = times[kept]
    recent_s, rank = times[-RECENT_STAMPS:], _rows_of_last(times, after)
    to_come, next_s = _rows_to_come(times, behind_it), _next_stamp(times, behind_it)
    if after is None:
        times, repeated, spread = _spread(times, to_come, next_s)
    else:
        times, repeated, spread = _spread_on(times, after, to_come, next_s)
    fresh = kept >= len(before)
    place = place[kept[fresh] - len(before)]
    times, repeated = times[fresh], repeated[fresh]
    out = np.full(len(seconds), np.nan)
    out[place[~repeated]] = times[~repeated]
    counts = (
        ("no time stamp", int((~is_given).sum())),
        ("time stepped back", int(backward.sum())),
        ("time stamp repeated", int(repeated.sum())),
    )
    dropped = tuple((why, n) for why, n in counts if n)
    notes = _notes(restarts, spread if after is None else None)
    return Straight(out, np.isfinite(out), dropped, notes, shift_s, recent_s, spread, rank)


def _notes(restarts: int, spread: tuple[int, float] | None) -> list[str]:
    notes = []
    if restarts:
        notes.append(
            f"Time starts again {restarts} time(s); what follows was put "
            f"{SESSION_PAUSE_S:g} s later, as a session of its own."
        )
    if spread:
        notes.append(_spread_words(spread))
    return notes


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


def _rows_to_come(times: Floats, ahead: Floats) -> int | None:
    """Count the rows of the next part that share the last stamp; None where it may go on."""
    if not len(times) or not (ahead > times[-1]).any():
        return None
    return int((ahead == times[-1]).sum())


def _next_stamp(times: Floats, ahead: Floats) -> float:
    """First stamp of the next part that is a new one; infinite where there is none. [s]"""
    later = ahead[ahead > times[-1]] if len(times) else ahead[:0]
    return float(later.min()) if len(later) else np.inf


def _spans(stamps: Floats, next_s: float, tick: float) -> Floats:
    """Time over which the rows of each stamp are spread: never past the next stamp. [s]"""
    return np.minimum(np.diff(stamps, append=next_s), tick)


def _spread(
    times: Floats, to_come: int | None, next_s: float
) -> tuple[Floats, npt.NDArray[np.bool_], tuple[int, float] | None]:
    """Spread rows that share a coarse stamp evenly; drop the few that repeat a fine one."""
    n = len(times)
    is_first = np.append(True, np.diff(times) > 0)
    repeated = ~is_first
    if repeated.sum() < 0.3 * n or n < 4:
        return times, repeated, None
    group = np.cumsum(is_first) - 1
    size = np.bincount(group)
    stamps = times[is_first]
    tick = float(np.median(np.diff(stamps)))
    rank = np.arange(n) - np.flatnonzero(is_first)[group]
    usual = int(np.median(size))
    ends = (group == 0) | ((group == len(size) - 1) & (to_come is None))
    size[-1] += to_come or 0
    share = rank / np.maximum(size, 1)[group]
    late = np.where(group == 0, max(usual - int(size[0]), 0), 0)
    share = np.where(ends, (rank + late) / np.maximum(usual, size[group]), share)
    spans = _spans(stamps, next_s, tick)[group]
    return times + share * spans, np.zeros(n, dtype=bool), (usual, tick)


def _rows_of_last(times: Floats, after: GoingOn | None) -> int:
    """Count the rows so far that share the last stamp."""
    if not len(times):
        return 0
    rank = len(times) - int(np.searchsorted(times, times[-1]))
    if after is not None and times[0] == times[-1]:
        rank += _rows_before(after)
    return rank


def _rows_before(after: GoingOn) -> int:
    """Count the rows that share the last stamp and are no longer kept."""
    return max(0, after.rank - int((after.recent_s == after.recent_s[-1]).sum()))


def _spread_words(spread: tuple[int, float]) -> str:
    usual, tick = spread
    return (
        f"Several rows share a time stamp (about {usual} for each {tick:g} s); they were spread "
        "evenly over the time to the next stamp."
    )


def _spread_on(
    times: Floats, after: GoingOn, to_come: int | None, next_s: float
) -> tuple[Floats, npt.NDArray[np.bool_], tuple[int, float] | None]:
    """Go on spreading as the log's first part was spread; its first stamps were spread before."""
    n = len(times)
    is_first = np.append(True, np.diff(times) > 0)
    if after.spread is None:
        return times, ~is_first, None
    usual, tick = after.spread
    group = np.cumsum(is_first) - 1
    size = np.bincount(group)
    rank = np.arange(n) - np.flatnonzero(is_first)[group]
    old = group[len(after.recent_s) - 1]  # its rows may have begun before what is kept of them
    rank = np.where(group == old, rank + _rows_before(after), rank)
    size[old] += _rows_before(after)
    size[-1] += to_come or 0
    ends = (group == len(size) - 1) & (to_come is None)
    share = rank / np.where(ends, np.maximum(usual, size[group]), size[group])
    spans = _spans(times[is_first], next_s, tick)[group]
    out = times + np.minimum(share, 1.0 - 1e-9) * spans
    return out, np.append(False, np.diff(out) <= 0), after.spread
