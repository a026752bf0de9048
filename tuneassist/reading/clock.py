"""The time channel: stamps to seconds that rise, with what was mended said.

Loggers write seconds, milliseconds, a clock or a date with a clock. Their clocks are often coarser
than their rows, start again, or step back when they are set.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tuneassist.reading.log import Cells, Floats, UnitHow
from tuneassist.reading.stamps import carried_with, parse_stamps, refuse_minutes
from tuneassist.reading.straight import (
    RECENT_STAMPS,
    GoingOn,
    straighten,
)
from tuneassist.reading.timeunit import check_moments, judged_stamps, other_unit, unit_of
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
