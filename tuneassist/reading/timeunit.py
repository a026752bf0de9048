"""The unit of time: of stamps that are plain numbers, and of those that carry their own."""

from __future__ import annotations

import numpy as np

from tuneassist.errors import LogError
from tuneassist.reading.log import Cells, Floats, UnitHow
from tuneassist.reading.stamps import refuse_minutes
from tuneassist.reading.straight import MAX_FAULTY_SHARE
from tuneassist.units import UNITS

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
