"""The time channel: stamps to seconds that rise, with what was mended said.

Loggers write seconds, milliseconds, a clock or a date with a clock. Their clocks are often coarser
than their rows, start again, or step back when they are set.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

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
SESSION_PAUSE_S = 60.0
"""Pause put between two sessions when the time starts again; longer than any allowed gap. [s]"""
_RESTART_ROWS = 20  # this many rows in order after a step back are a session, fewer a glitch
_MAX_FAULTY_SHARE = 0.2
_MOST_SESSIONS = 200  # in one file; more are steps back
_DAY_S, _HOUR_S = 86400.0, 3600.0
_MS_STEP_S = 0.5  # shorter steps under the name of seconds cannot be milliseconds
_STAMP = (
    r"^(?:.*[\sT])?(?P<h>\d{1,3}):(?P<m>\d{2})(?::(?P<s>\d{2}))?(?P<f>[.,:]\d+)?"
    r"\s*(?P<half>[APap]\.?[Mm]\.?)?(?:Z|[+-]\d{2}:?\d{2})?$"
)


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
    if cells.words is None or cells.text_count < 0.5 * max(1, int((cells.words != "").sum())):
        return None
    parts = cells.words.str.extract(_STAMP)
    is_stamp = parts["h"].notna().to_numpy(dtype=bool)
    if is_stamp.sum() < 0.5 * cells.text_count:
        return None
    first, second = (pd.to_numeric(parts[k], errors="coerce").to_numpy(float) for k in "hm")
    third = pd.to_numeric(parts["s"], errors="coerce").to_numpy(float)
    tail = pd.to_numeric("0." + parts["f"].str[1:], errors="coerce").fillna(0.0).to_numpy(float)
    if wrap_s is None:
        wrap_s = _HOUR_S if np.isnan(third[is_stamp]).all() else _DAY_S
    if wrap_s == _HOUR_S:
        seconds = 60.0 * first + second + tail
    else:
        is_short = np.isnan(third)
        late = parts["half"].str.upper().str.startswith("P").fillna(False).to_numpy(dtype=bool)
        has_half = parts["half"].notna().to_numpy(dtype=bool)
        hour = np.where(has_half, first % 12 + 12 * late, first)
        seconds = hour * _HOUR_S + 60.0 * second + np.where(is_short, 0.0, third) + tail
    return Stamps(np.where(is_stamp, seconds, np.nan), wrap_s)


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
    fitting = [u for u in ("s", "ms") if _is_plausible(values, u)]
    if len(fitting) == 2 and length * UNITS["ms"].factor < 2.0:
        fitting = ["s"]  # less than two seconds of log in milliseconds is no session
    if len(fitting) == 1 or not len(steps):
        return (fitting or ["s"])[0], "values"
    why = "could be s or ms" if fitting else "fits neither s nor ms"
    raise LogError(
        f"the unit of time is not given, and a step of {float(np.median(steps)):g} {why}.",
        where=where,
        mend=f"Under [channels] write: {entry % 's'}.",
    )


def build_timeline(
    cells: Cells, *, unit: str | None, unit_how: UnitHow, where: str, entry: str
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

    Raises
    ------
    LogError
        When there are no stamps, they do not rise, or their unit is in doubt.
    """
    stamps = parse_stamps(cells)
    notes: list[str] = []
    origin_s = 0.0
    if stamps is not None:
        unit, unit_how = "s", "values"
        notes.append(stamps.note)
        seconds = carried_on(stamps)
        origin_s = float(seconds[np.isfinite(seconds)][0])
        seconds = seconds - origin_s
    else:
        unit, found = _scale(_stamps(cells, where), unit, where=where, entry=entry)
        unit_how = unit_how if found == "header" else found
        if found == "values":
            notes.append(f"Time has no unit; its steps are plausible only as {unit}.")
        seconds = cells.numbers * UNITS[unit].factor
    seconds = _believed(seconds)
    straight = _straighten(seconds, where)
    going_on = GoingOn(
        UNITS[unit].factor,
        straight.shift_s,
        straight.recent_s,
        straight.spread,
        straight.rank,
        stamps.wrap_s if stamps else None,
        _last(stamps.seconds) if stamps else 0.0,
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


def extend_timeline(
    cells: Cells, going_on: GoingOn, *, where: str
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
        carried = carried_on(stamps, last_s % going_on.wrap_s)
        seconds = carried + (last_s - last_s % going_on.wrap_s)
        last_s = _last(seconds) if np.isfinite(seconds).any() else last_s
        seconds = seconds - going_on.origin_s
    else:
        seconds = cells.numbers * going_on.factor
    seconds = seconds + going_on.shift_s
    newest = float(going_on.recent_s[-1])
    if going_on.spread is None and seconds[0] > newest and bool((np.diff(seconds) > 0).all()):
        recent_s = (
            seconds[-_RECENT:]
            if len(seconds) >= _RECENT
            else np.append(going_on.recent_s, seconds)[-_RECENT:]
        )
        return seconds, (), replace(going_on, recent_s=recent_s, rank=1, last_s=last_s)
    straight = _straighten(_believed(seconds), where, after=going_on)
    going_on = replace(
        going_on,
        shift_s=going_on.shift_s + straight.shift_s,
        recent_s=straight.recent_s,
        rank=straight.rank,
        last_s=last_s,
    )
    return straight.seconds, straight.dropped, going_on


def _stamps(cells: Cells, where: str) -> Floats:
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
    if _MAX_FAULTY_SHARE * len(values) < falls < len(values) - 1:
        raise LogError(
            f"time does not rise: {falls} of {len(values)} stamps lie before the one above.",
            where=where,
            mend="Sort the log by time, or name the right column under [channels].",
        )
    return values


_RECENT = 64  # stamps kept from the part before, enough to tell a session's start from a glitch


@dataclass(frozen=True, eq=False)
class _Straight:
    """Seconds that rise, and what `GoingOn` needs."""

    seconds: Floats
    is_usable: npt.NDArray[np.bool_]
    dropped: tuple[tuple[str, int], ...]
    notes: list[str]
    shift_s: float
    recent_s: Floats
    spread: tuple[int, float] | None
    rank: int


def _straighten(seconds: Floats, where: str, *, after: GoingOn | None = None) -> _Straight:
    notes: list[str] = []
    is_usable = np.isfinite(seconds)
    missing = int((~is_usable).sum())
    place = np.flatnonzero(is_usable)
    before = after.recent_s if after else np.empty(0)
    stamps = np.concatenate([before, seconds[place]])
    if after is None:
        _refuse_flat(stamps, where)
    times, backward, restarts = _join_sessions(stamps)
    backward[: len(before)] = False
    if backward.sum() > _MAX_FAULTY_SHARE * len(times):
        raise LogError(
            f"time does not rise: {int(backward.sum())} of {len(times)} stamps lie before an "
            "earlier one.",
            where=where,
            mend="Sort the log by time, or name the right column under [channels].",
        )
    if restarts:
        notes.append(
            f"Time starts again {restarts} time(s); what follows was put "
            f"{SESSION_PAUSE_S:g} s later, as a session of its own."
        )
    kept = np.flatnonzero(~backward)
    shift_s = float(times[kept[-1]] - stamps[kept[-1]]) if len(kept) else 0.0
    times = times[kept]
    recent_s = times[-_RECENT:]
    rank = _rows_of_last(times, after)
    if after is None:
        times, repeated, spread = _spread(times)
    else:
        times, repeated, spread = _spread_on(times, after)
    if spread and after is None:
        notes.append(_spread_words(spread))
    fresh = kept >= len(before)
    place = place[kept[fresh] - len(before)]
    times, repeated = times[fresh], repeated[fresh]
    out = np.full(len(seconds), np.nan)
    out[place[~repeated]] = times[~repeated]
    counts = (
        ("no time stamp", missing),
        ("time stepped back", int(backward.sum())),
        ("time stamp repeated", int(repeated.sum())),
    )
    dropped = tuple((why, n) for why, n in counts if n)
    return _Straight(out, np.isfinite(out), dropped, notes, shift_s, recent_s, spread, rank)


def _refuse_flat(times: Floats, where: str) -> None:
    if len(times) < 2 or (np.diff(times) > 0).any():
        return
    what = "time stands still" if float(np.ptp(times)) == 0 else "time runs backwards"
    raise LogError(
        f"{what}: the first stamp is {times[0]:g} s, the last {times[-1]:g} s.",
        where=where,
        mend="Name the right time column under [channels].",
    )


def _join_sessions(times: Floats) -> tuple[Floats, npt.NDArray[np.bool_], int]:
    """Shift sessions behind each other; mark the rows of short steps back."""
    backward = _lone_spikes(times)
    kept = np.flatnonzero(~backward)
    out = times[kept]
    restarts = 0
    behind = out < np.maximum.accumulate(out)
    while restarts < _MOST_SESSIONS:
        start = _session_start(out, behind)
        if start is None:
            break
        out[start:] += float(out[:start].max()) - out[start] + SESSION_PAUSE_S
        restarts += 1
        behind = out < np.maximum.accumulate(out)
    backward[kept[behind]] = True
    joined = times.copy()
    joined[kept] = out
    return joined, backward, restarts


def _session_start(times: Floats, behind: npt.NDArray[np.bool_]) -> int | None:
    """Find the first long run of rows that lie behind an earlier one and rise."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], behind.view(np.int8), [0]])))
    starts, ends = edges[::2], edges[1::2]
    for start in starts[ends - starts >= _RESTART_ROWS]:
        if (np.diff(times[start : start + _RESTART_ROWS]) >= 0).all():
            return int(start)
    return None


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


def _spread(times: Floats) -> tuple[Floats, npt.NDArray[np.bool_], tuple[int, float] | None]:
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
    share = rank / np.maximum(size, 1)[group]
    ends = (group == 0) | (group == len(size) - 1)
    late = np.where(group == 0, max(usual - int(size[0]), 0), 0)
    share = np.where(ends, (rank + late) / np.maximum(usual, size[group]), share)
    return times + share * tick, np.zeros(n, dtype=bool), (usual, tick)


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
    times: Floats, after: GoingOn
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
    ends = (group == old) | (group == len(size) - 1)
    share = rank / np.where(ends, np.maximum(usual, size[group]), size[group])
    out = times + np.minimum(share, 1.0 - 1e-9) * tick
    return out, np.append(False, np.diff(out) <= 0), after.spread
