"""Files of values found by hand: a list of spots, or a grid of which most cells are blank.

A list has a header and one spot per row: ``rpm, load`` and the value in percent, under
``correction_pct``, ``total_pct`` (the whole correction) or ``change_pct`` (on top of the grid in
force); ``doubt_pct``, ``repeats`` and ``time`` (seconds, or a clock's 14:05) may follow. Speed and
load are read in the unit of their header, else in that of the setup.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import get_args

import numpy as np
import pandas as pd

from tuneassist.arguments import file_path
from tuneassist.channels import is_gauge_axis
from tuneassist.errors import GridError, InputError
from tuneassist.files.grid_file import CORNER, NUMBER, decoded, grid_of, split_rows
from tuneassist.files.safe_files import read_bounded, snippet
from tuneassist.grid import Floats
from tuneassist.inert import inert, listed, quoted
from tuneassist.own_units import units_before
from tuneassist.reading.headers import Heading, channel_of, read_heading
from tuneassist.settings import Setup
from tuneassist.spots import USUAL_DOUBT_PCT, Meaning, Spots
from tuneassist.units import UNITS, convert, find_unit, unit_named, units_of

MAX_BYTES = 4_000_000
"""Larger files are no lists of spots. [byte]"""
MAX_SPOTS = 2_000
"""More values than anyone finds by hand. [1]"""
SHOWN = 40
"""Most letters of a cell that a message shows. [1]"""
LARGEST_PCT = 100.0
"""A value beyond this is a slip of the pen. [%]"""
LARGEST_DOUBT_PCT = 50.0
"""As for `LARGEST_PCT`. [%]"""
MOST_REPEATS = 1_000
"""As for `LARGEST_PCT`. [1]"""
FACTOR_RANGE, FACTOR_SPOTS = (0.7, 1.3), 5
"""Values that all lie here may be factors and no percents, from so many on. [%], [1]"""
ZERO_SHARE = 0.5
"""Zeros are asked about when they are more than this share of the values. [1]"""
RIGHT = (
    "A list of spots starts with the row rpm,load,correction_pct (doubt_pct and repeats may follow)"
    f'; a grid with blanks starts with "{CORNER}".'
)
CLOCK = re.compile(r"(\d{1,2}):([0-5]\d)(?::([0-5]\d))?")
"""A time of day."""
HALF_DAY_S = 43_200.0
"""A clock that falls back by more has passed midnight. [s]"""
MEANT: dict[frozenset[str], Meaning | None] = {
    frozenset({"correction"}): None,
    frozenset({"total"}): "total",
    frozenset({"total", "correction"}): "total",
    frozenset({"change"}): "change",
    frozenset({"change", "correction"}): "change",
}
"""Words of a column of values, and what they say about it."""


def read_spots(path: str | Path, *, setup: Setup, values: Meaning | None = None) -> Spots:
    """Read values found by hand.

    Parameters
    ----------
    path
        A list of spots, or a grid of which most cells are blank.
    setup
        The car's setup: breakpoints, and the unit of load.
    values
        Whether they are the "total" correction or a "change" on top of the grid in force; None
        takes the word of the column.

    Returns
    -------
    Spots
        Its ``meaning`` is None where neither tells.

    Raises
    ------
    InputError
        When the file cannot be read; names the row and what would be right.
    """
    file = file_path(path)
    data = read_bounded(file, most=MAX_BYTES, what="a list of spots")
    if values is not None and values not in get_args(Meaning):
        raise InputError(
            f'values is "{snippet(values, SHOWN)}".', mend='Give "total", "change" or nothing.'
        )
    where = str(file)
    try:
        found = _found(data, where, setup)
    except GridError as error:
        raise InputError(error.problem, where=error.where, mend=error.mend) from error
    if found.table.empty:
        raise InputError("the file holds no value.", where=where, mend=RIGHT)
    return replace(
        found,
        meaning=_meaning(found.meaning, values, where),
        name=inert(file.name),
        sha256=hashlib.sha256(data).hexdigest(),
        notes=(*found.notes, *_value_notes(found.table)),
    )


def spots_of(table: pd.DataFrame, *, setup: Setup, values: Meaning | None = None) -> Spots:
    """Take values found by hand from a frame, with the columns of the file.

    Parameters
    ----------
    table
        ``rpm, load`` and the value, headed as in a file; ``doubt_pct`` and ``repeats`` may follow.
    setup, values
        As for `read_spots`.

    Raises
    ------
    InputError
        When a column is missing or a value cannot be used; names the row.
    """
    rows = [[str(name) for name in table.columns]]
    rows += [["" if pd.isna(v) else str(v) for v in row] for row in table.itertuples(index=False)]
    found = _List([(number + 1, row) for number, row in enumerate(rows)], "spots", setup).spots()
    if found.table.empty:
        raise InputError("there is no spot.", where="spots", mend=RIGHT)
    notes = (*found.notes, *_value_notes(found.table))
    return replace(found, meaning=_meaning(found.meaning, values, "spots"), notes=notes)


def _found(data: bytes, where: str, setup: Setup) -> Spots:
    rows = split_rows(decoded(data, where), where, start=RIGHT)
    if rows[0][1][0].replace(" ", "").casefold() == CORNER:
        return _of_grid(data, where, setup)
    return _List(rows, where, setup).spots()


def _meaning(said: Meaning | None, asked: Meaning | None, where: str) -> Meaning | None:
    if said and asked and said != asked:
        raise InputError(
            f'the column says "{said}", and "{asked}" was asked for.',
            where=where,
            mend="Correct the header, or leave the option out.",
        )
    return said or asked


def _of_grid(data: bytes, where: str, setup: Setup) -> Spots:
    """Take the cells of a grid that hold a value; its axes need not be the setup's."""
    grid = grid_of(data, where=where)
    cells = np.flatnonzero(np.isfinite(grid.flat()))
    row, column = np.divmod(cells, len(grid.axes.load))
    values = grid.flat()[cells]
    _check_count(len(values), where)
    _check_within(values, LARGEST_PCT, where)
    load, unit = grid.axes.load[column], setup.axes.load_unit
    table = pd.DataFrame(
        {
            "where": [f"row {r + 2}, column {c + 2}" for r, c in zip(row, column, strict=True)],
            "rpm": grid.axes.rpm[row],
            "load": load,
            "correction_pct": values,
            "doubt_pct": USUAL_DOUBT_PCT,
            "repeats": 1.0,
        }
    )
    notes = (
        f"{len(table)} of {grid.axes.size} cells of the grid hold a value; blank ones say nothing",
        _doubt_note(len(table)),
        f"load is read in {unit}, as axes.load",
    )
    return Spots(table, notes=notes)


def _check_count(count: int, where: str) -> None:
    if count > MAX_SPOTS:
        raise InputError(
            f"there are {count} values.",
            where=where,
            mend=f"At most {MAX_SPOTS} are read; give the logs of long sessions as LOG.",
        )


def _check_within(values: Floats, most: float, where: str) -> None:
    far = values[np.abs(values) > most]
    if len(far):
        raise InputError(
            f"a value is {far[0]:g} %.",
            where=where,
            mend=f"Corrections are percents between -{most:g} and {most:g}.",
        )


@dataclass(frozen=True)
class _List:
    """A list of spots as text, with the line on which each row ends."""

    rows: list[tuple[int, list[str]]]
    where: str
    setup: Setup

    def spots(self) -> Spots:
        headings = [read_heading(i, text) for i, text in enumerate(self.rows[0][1])]
        _check_count(len(self.rows) - 1, self.where)
        speed = self._one("rpm", [h for h in headings if self._is_speed(h)])
        load = self._one("load", self._loads(headings))
        value = self._one("correction_pct", [h for h in headings if _words(h) in MEANT])
        doubt, repeats, time = (
            self._at_most_one(name, [h for h in headings if _words(h) in words])
            for name, words in (
                ("doubt_pct", (frozenset({"doubt"}),)),
                ("repeats", (frozenset({"repeats"}), frozenset({"repeat"}))),
                ("time", (frozenset({"time"}),)),
            )
        )
        for heading in (value, doubt):
            self._require_percent(heading)
        rows = [n for n in range(1, len(self.rows)) if any(self.rows[n][1])]
        unit = self._load_unit(load)
        table = pd.DataFrame(
            {
                "where": [f"row {self.rows[n][0]}" for n in rows],
                "rpm": self._speeds(rows, speed),
                "load": [self._load(n, load, unit) for n in rows],
                "correction_pct": [self._value(n, value) for n in rows],
                "doubt_pct": [self._doubt(n, doubt) for n in rows],
                "repeats": [self._repeats(n, repeats) for n in rows],
            }
        )
        if time is not None:
            table = table.assign(time_s=self._times(rows, time))
        used = [h for h in (speed, load, value, doubt, repeats, time) if h is not None]
        return Spots(
            table,
            MEANT[_words(value)],
            notes=(*self._notes(headings, used, load, unit), *self._doubt_notes(rows, doubt)),
        )

    def _error(self, row: int, column: int, problem: str, mend: str) -> InputError:
        where = f"{self.where}, row {self.rows[row][0]}, column {column + 1}"
        return InputError(problem, where=where, mend=mend)

    def _is_speed(self, heading: Heading) -> bool:
        return self._is_named("rpm", heading) or channel_of(heading) == "rpm"

    def _is_named(self, channel: str, heading: Heading) -> bool:
        """Tell whether the setup names this column for a channel."""
        source = self.setup.channels.get(channel)
        return source is not None and source.column.strip().casefold() == heading.text.casefold()

    def _loads(self, headings: Sequence[Heading]) -> list[Heading]:
        """Return the columns that may be load, by the surest kind of name that there is."""
        named = read_heading(0, self.setup.axes.load_name).words
        kinds: tuple[Callable[[Heading], bool], ...] = (
            lambda h: self._is_named("load", h),
            lambda h: channel_of(h) == "load",
            lambda h: bool(h.words) and named in (h.words, h.words_bare),
            lambda h: self._is_pressure and channel_of(h) in ("manifold_pressure", "boost"),
        )
        for is_one in kinds:
            found = [h for h in headings if is_one(h)]
            if found:
                return found
        return []

    @property
    def _is_pressure(self) -> bool:
        return unit_named(self.setup.axes.load_unit).quantity == "pressure"

    def _one(self, name: str, found: Sequence[Heading]) -> Heading:
        heading = self._at_most_one(name, found)
        if heading is None:
            raise InputError(
                f"no column is {name}; there are {_shown(self.rows[0][1])}.",
                where=f"{self.where}, row {self.rows[0][0]}",
                mend=RIGHT,
            )
        return heading

    def _at_most_one(self, name: str, found: Sequence[Heading]) -> Heading | None:
        if len(found) > 1:
            raise InputError(
                f"several columns could be {name}: {_shown([h.text for h in found])}.",
                where=f"{self.where}, row {self.rows[0][0]}",
                mend="Leave one of them.",
            )
        return found[0] if found else None

    def _require_percent(self, heading: Heading | None) -> None:
        if heading is None or not (heading.unit_text or heading.unit):
            return
        if heading.unit != "percent":
            raise self._error(
                0,
                heading.index,
                f"the unit {quoted(heading.unit_text, SHOWN)} is not percent.",
                "Write percents: 5 for 5 % more.",
            )

    def _unit(self, heading: Heading, quantity: str, known: Sequence[str]) -> str | None:
        """Return the unit of a header; None where it has none."""
        if heading.unit is None and not heading.is_unit_marked:
            return None
        if heading.unit is None or unit_named(heading.unit).quantity != quantity:
            raise self._error(
                0,
                heading.index,
                f"the unit {quoted(heading.unit_text, SHOWN)} is not one of {quantity}.",
                f"Give one of {', '.join(known)}.",
            )
        return heading.unit

    def _load_unit(self, heading: Heading) -> str | None:
        """Return the unit in which load is given; None where it is that of the axes."""
        quantity = unit_named(self.setup.axes.load_unit).quantity
        unit = self._unit(heading, quantity, units_of(quantity))
        source = self.setup.channels.get("load")
        if unit is None and source is not None and self._is_named("load", heading):
            given = find_unit(source.unit) if source.unit else None
            return given.word if given and UNITS[given.word].quantity == quantity else None
        return unit

    def _offset_kpa(self, heading: Heading) -> float:
        """Return what is added to a pressure so that it counts from where the axis does."""
        if not self._is_pressure:
            return 0.0
        barometer = self.setup.limits.barometer_kpa
        says = heading.reference or {"boost": "gauge"}.get(channel_of(heading) or "")
        if says is None:
            return 0.0
        return barometer * ((says == "gauge") - is_gauge_axis(self.setup.axes))

    def _number(self, row: int, heading: Heading, what: str) -> float:
        cells = self.rows[row][1]
        text = cells[heading.index] if heading.index < len(cells) else ""
        if not text:
            raise self._error(
                row, heading.index, f"{what} is missing.", "Give its number, or delete the row."
            )
        value = float(text) if NUMBER.fullmatch(text) else float("nan")
        if not np.isfinite(value):
            raise self._error(
                row,
                heading.index,
                f"{quoted(text, SHOWN)} is not a plain number.",
                "Write digits and one decimal mark, without a unit or a % sign.",
            )
        return value

    def _optional(self, row: int, heading: Heading | None, what: str, default: float) -> float:
        cells = self.rows[row][1]
        if heading is None or heading.index >= len(cells) or not cells[heading.index]:
            return default
        return self._number(row, heading, what)

    def _speeds(self, rows: Sequence[int], heading: Heading) -> list[float]:
        unit = self._unit(heading, "engine speed", units_of("engine speed")) or "rpm"
        found = []
        for row in rows:
            value = float(convert(self._number(row, heading, "the speed"), unit, "rpm"))
            if not value > 0:
                raise self._error(
                    row, heading.index, f"the speed is {value:g} rpm.", "Give one above 0."
                )
            found.append(value)
        return found

    def _times(self, rows: Sequence[int], heading: Heading) -> list[float]:
        """Return when each was found, in seconds; a clock that passes midnight goes on."""
        unit = self._unit(heading, "time", units_of("time")) or "s"
        found: list[float] = []
        for row in rows:
            cells = self.rows[row][1]
            clock = CLOCK.fullmatch(cells[heading.index] if heading.index < len(cells) else "")
            if clock is None:
                found.append(float(convert(self._number(row, heading, "the time"), unit, "s")))
                continue
            hours, minutes, seconds = (int(part or 0) for part in clock.groups())
            value = 3600.0 * hours + 60.0 * minutes + seconds
            is_past = bool(found) and value < found[-1] - HALF_DAY_S
            found.append(value + 2.0 * HALF_DAY_S * is_past)
        return found

    def _load(self, row: int, heading: Heading, unit: str | None) -> float:
        value = self._number(row, heading, "the load")
        inside = self.setup.axes.load_unit
        value = float(convert(value, unit, inside)) if unit else value
        offset = self._offset_kpa(heading)
        return value + float(convert(offset, "kPa", inside)) if offset else value

    def _value(self, row: int, heading: Heading) -> float:
        value = self._number(row, heading, "the correction")
        if not -100.0 < value <= LARGEST_PCT:
            raise self._error(
                row,
                heading.index,
                f"{value:g} % is no correction.",
                f"Corrections are percents above -100 and up to {LARGEST_PCT:g}: 5 for 5 % more.",
            )
        return value

    def _doubt(self, row: int, heading: Heading | None) -> float:
        value = self._optional(row, heading, "the doubt", USUAL_DOUBT_PCT)
        if heading is not None and not 0.0 < value <= LARGEST_DOUBT_PCT:
            raise self._error(
                row,
                heading.index,
                f"a doubt of {value:g} % is not possible.",
                f"Give a standard deviation above 0 and up to {LARGEST_DOUBT_PCT:g} %, or nothing.",
            )
        return value

    def _repeats(self, row: int, heading: Heading | None) -> float:
        value = self._optional(row, heading, "the count", 1.0)
        is_count = 1 <= value <= MOST_REPEATS and value == round(value)
        if heading is not None and not is_count:
            raise self._error(
                row,
                heading.index,
                f"{value:g} is no count of repeats.",
                f"Give a whole number from 1 to {MOST_REPEATS}, or nothing.",
            )
        return value

    def _notes(
        self, headings: Sequence[Heading], used: Sequence[Heading], load: Heading, unit: str | None
    ) -> list[str]:
        """Say how load was read, and what was not used."""
        axes = self.setup.axes
        notes = [
            f"load is column {quoted(load.text, SHOWN)} in "
            f"{unit or f'{axes.load_unit}, as axes.load'}"
        ]
        offset = self._offset_kpa(load)
        if offset:
            units = units_before(self.setup, None)
            added = f"{units.change(offset, 'kPa'):+z.4g} {units.word('kPa').split(' ')[0]}"
            notes.append(
                f"{added}, limits.barometer_kpa, was added to load: the axis counts "
                f"from {'the barometer' if is_gauge_axis(axes) else 'vacuum'}"
            )
        rest = [h.text for h in headings if h.text and h not in used]
        return [*notes, *([f"columns not used: {_shown(rest)}"] if rest else [])]

    def _doubt_notes(self, rows: Sequence[int], heading: Heading | None) -> list[str]:
        blank = [n for n in rows if self._optional(n, heading, "the doubt", 0.0) == 0.0]
        return [_doubt_note(len(blank))] if blank else []


def _doubt_note(count: int) -> str:
    return (
        f"{count} spot(s) without a doubt of their own count as good to {USUAL_DOUBT_PCT:g} % (one "
        "standard deviation); a column doubt_pct says better"
    )


def _value_notes(table: pd.DataFrame) -> tuple[str, ...]:
    """Ask about values that are hardly meant as they stand."""
    low, high = FACTOR_RANGE
    zeros = int(table["correction_pct"].eq(0.0).sum())
    if zeros > ZERO_SHARE * len(table):
        return (
            f"{zeros} of {len(table)} values are 0 %, which says that nothing is needed there: "
            "leave blank, or out, what was not found by hand",
        )
    if len(table) < FACTOR_SPOTS or not table["correction_pct"].between(low, high).all():
        return ()
    return (
        f"all values lie between {low:g} and {high:g}: they are taken as percents. If they are "
        "factors, write 5 for a factor of 1.05",
    )


def _words(heading: Heading) -> frozenset[str]:
    return frozenset(heading.words_bare)


def _shown(texts: Sequence[str]) -> str:
    return listed([quoted(text, SHOWN) for text in texts])
