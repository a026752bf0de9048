"""Stamps that rise: sessions put behind each other, steps back left out, coarse stamps spread."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tuneassist.errors import LogError
from tuneassist.reading.log import Floats

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
