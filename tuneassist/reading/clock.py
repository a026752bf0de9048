"""The time channel: stamps to seconds that rise, with what was mended said.

Loggers write seconds, milliseconds, a clock or a date with a clock. Their clocks are often coarser
than their rows, start again, or step back when they are set.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tuneassist.errors import LogError
from tuneassist.reading.log import Cells, Floats, UnitHow
from tuneassist.reading.stamps import carried_on, parse_stamps
from tuneassist.reading.straight import (
    MAX_FAULTY_SHARE,
    RECENT_STAMPS,
    GoingOn,
    straighten,
)
from tuneassist.units import UNITS

SHORTEST_STEP_S, LONGEST_STEP_S = 2e-4, 5.0
"""Sample intervals of a log: 5 kHz is beyond every shop's logger, and a hold of a few seconds
needs more than one sample in five. [s]"""
LONGEST_LOG_S = 48 * 3600.0
"""A longer log without a unit of time is taken for milliseconds read as seconds. [s]"""
_MS_STEP_S = 0.5  # shorter steps under the name of seconds cannot be milliseconds


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
    straight = straighten(seconds, where)
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
            seconds[-RECENT_STAMPS:]
            if len(seconds) >= RECENT_STAMPS
            else np.append(going_on.recent_s, seconds)[-RECENT_STAMPS:]
        )
        return seconds, (), replace(going_on, recent_s=recent_s, rank=1, last_s=last_s)
    straight = straighten(_believed(seconds), where, after=going_on)
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
    if MAX_FAULTY_SHARE * len(values) < falls < len(values) - 1:
        raise LogError(
            f"time does not rise: {falls} of {len(values)} stamps lie before the one above.",
            where=where,
            mend="Sort the log by time, or name the right column under [channels].",
        )
    return values
