"""The time channel: stamps to seconds that rise, with what was mended said.

Loggers write seconds, milliseconds, a clock or a date with a clock. Their clocks are often coarser
than their rows, start again, or step back when they are set.
"""

from __future__ import annotations

from dataclasses import dataclass

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
SESSION_PAUSE_S = 60.0
"""Pause put between two sessions when the time starts again; longer than any allowed gap. [s]"""
_RESTART_ROWS = 20  # this many rows in order after a step back are a session, fewer a glitch
_MAX_FAULTY_SHARE = 0.2
_MOST_SESSIONS = 200  # in one file; more are steps back
_DAY_S, _HOUR_S = 86400.0, 3600.0
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
    """

    seconds: Floats
    is_usable: npt.NDArray[np.bool_]
    dropped: tuple[tuple[str, int], ...]
    notes: tuple[str, ...]
    unit: str
    unit_how: UnitHow
    is_clock: bool


def read_clock(cells: Cells) -> tuple[Floats, str] | None:
    """Read clock stamps as seconds; None when the column holds none.

    Returns
    -------
    seconds, note
        Seconds of the day (or of the hour, for two-part stamps), carried on past midnight.
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
    if np.isnan(third[is_stamp]).all():
        seconds, wrap = 60.0 * first + second + tail, _HOUR_S
        note = "Time stamps of two parts were read as minutes and seconds."
    else:
        is_short = np.isnan(third)
        late = parts["half"].str.upper().str.startswith("P").fillna(False).to_numpy(dtype=bool)
        has_half = parts["half"].notna().to_numpy(dtype=bool)
        hour = np.where(has_half, first % 12 + 12 * late, first)
        seconds = hour * _HOUR_S + 60.0 * second + np.where(is_short, 0.0, third) + tail
        wrap, note = _DAY_S, "Time stamps were read as a clock, in seconds since the first."
    good = seconds[is_stamp]
    turns = np.cumsum(np.diff(good, prepend=good[0]) < -0.5 * wrap)
    out = np.full(len(seconds), np.nan)
    out[is_stamp] = good + wrap * turns - good[0]
    return out, note


def _steps(values: Floats) -> Floats:
    steps = np.diff(values[np.isfinite(values)])
    return np.asarray(steps[steps > 0])


def _is_plausible(values: Floats, unit: str) -> bool:
    factor = UNITS[unit].factor
    steps = _steps(values) * factor
    if not len(steps):
        return False
    return (
        SHORTEST_STEP_S <= float(np.median(steps)) <= LONGEST_STEP_S
        and float(np.sum(steps[steps < LONGEST_LOG_S])) <= LONGEST_LOG_S
    )


def _scale(values: Floats, unit: str | None, *, where: str, entry: str) -> tuple[str, UnitHow]:
    """Return the unit of numeric stamps and where it comes from."""
    if unit is not None:
        if _is_plausible(values, unit) or not len(_steps(values)):
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
    clock = read_clock(cells)
    notes: list[str] = []
    if clock is not None:
        seconds, unit, unit_how = clock[0], "s", "values"
        notes.append(clock[1])
    else:
        unit, found = _scale(_stamps(cells, where), unit, where=where, entry=entry)
        unit_how = unit_how if found == "header" else found
        if found == "values":
            notes.append(f"Time has no unit; its steps are plausible only as {unit}.")
        seconds = cells.numbers * UNITS[unit].factor
    seconds = np.where(np.isfinite(seconds) & (np.abs(seconds) < 1e13), seconds, np.nan)
    seconds, is_usable, dropped, more = _straighten(seconds, where)
    return Timeline(seconds, is_usable, dropped, (*notes, *more), unit, unit_how, clock is not None)


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


def _straighten(
    seconds: Floats, where: str
) -> tuple[Floats, npt.NDArray[np.bool_], tuple[tuple[str, int], ...], list[str]]:
    notes: list[str] = []
    is_usable = np.isfinite(seconds)
    missing = int((~is_usable).sum())
    place = np.flatnonzero(is_usable)
    times = seconds[place]
    _refuse_flat(times, where)
    times, backward, restarts = _join_sessions(times)
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
    place, times = place[~backward], times[~backward]
    times, repeated, sentence = _spread(times)
    if sentence:
        notes.append(sentence)
    out = np.full(len(seconds), np.nan)
    out[place[~repeated]] = times[~repeated]
    counts = (
        ("no time stamp", missing),
        ("time stepped back", int(backward.sum())),
        ("time stamp repeated", int(repeated.sum())),
    )
    return out, np.isfinite(out), tuple((why, n) for why, n in counts if n), notes


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


def _spread(times: Floats) -> tuple[Floats, npt.NDArray[np.bool_], str]:
    """Spread rows that share a coarse stamp evenly; drop the few that repeat a fine one."""
    n = len(times)
    is_first = np.append(True, np.diff(times) > 0)
    repeated = ~is_first
    if repeated.sum() < 0.3 * n or n < 4:
        return times, repeated, ""
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
    sentence = (
        f"Several rows share a time stamp (about {usual} for each {tick:g} s); they were spread "
        "evenly over the time to the next stamp."
    )
    return times + share * tick, np.zeros(n, dtype=bool), sentence
