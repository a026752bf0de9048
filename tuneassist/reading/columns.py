"""From a column's cells to values in the unit inside, and pressures to one reference.

Sensor curves and raw bytes first, then the unit is found, checked and converted, and what is no
measurement is blanked. A column is followed over all parts of a log, so that it is refused in many
parts as it would be in one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.channels import CHANNELS, Channel
from tuneassist.errors import LogError
from tuneassist.own_units import units_before
from tuneassist.reading.log import Cells, Floats, Piece
from tuneassist.reading.matching import (
    Match,
    check_unit_text,
    is_gauge_axis,
    left_out,
    may_leave_out,
    or_unread,
)
from tuneassist.reading.obd import decode_responses
from tuneassist.reading.unit_checks import (
    MAX_IMPOSSIBLE_SHARE,
    MAX_TEXT_SHARE,
    Mixture,
    channel_as_logged,
    check_boost,
    check_header,
    check_text,
    check_texts,
    check_trim,
    check_two_scales,
    check_values,
    infer_unit,
    mixture_of,
)
from tuneassist.settings import Setup
from tuneassist.units import ATMOSPHERE_KPA, convert, unit_named

BEYOND_SHARE = 0.05
"""How far beyond a transfer's outer points, as a share of their distance, a reading is still the
sensor at its stop; farther out the wire is open or the column is another. [1]"""

BEYOND_MOST = 0.95
"""With more than this share of the readings beyond it the transfer is another sensor's. [1]"""
BEYOND_WORDS = "reading(s) beyond the setup's transfer were left out."


def apply_sensor(match: Match, cells: Cells) -> Cells:
    """Return a column's cells in the match's unit, through its transfer or its raw scaling.

    Parameters
    ----------
    match
        The column, with the setup's entry.
    cells
        What stands in the file.
    """
    source = match.source
    if source is None:
        return cells
    if source.raw is not None:
        return decode_responses(cells, int(source.raw, 16), is_hex=source.raw_as == "hex")
    if source.transfer is not None:
        numbers = apply_transfer(cells.numbers, source.transfer)
        beyond = int((np.isnan(numbers) & ~np.isnan(cells.numbers)).sum())
        return replace(cells, numbers=numbers, beyond=beyond)
    return cells


def is_falling(match: Match) -> bool:
    """Tell whether the column falls where the channel rises, as with many sensors of heat."""
    pairs = match.source.transfer if match.source else None
    return pairs is not None and pairs[-1][1] < pairs[0][1]


def check_readings(match: Match, cells: Cells, found: Cells, *, where: str) -> None:
    """Refuse readings that the setup's entry cannot be for.

    Parameters
    ----------
    match
        The column, with the setup's entry.
    cells, found
        What stands in the file, and what `apply_sensor` made of it.
    where
        File and column.

    Raises
    ------
    LogError
        When nearly all lie beyond the transfer, or whole numbers are to be hexadecimal.
    """
    source, given = match.source, int(np.isfinite(cells.numbers).sum())
    if source is None:
        return
    if source.transfer is not None and found.beyond > BEYOND_MOST * max(1, given):
        low, high = (float(q) for q in np.nanquantile(cells.numbers, [0.02, 0.98]))
        unit = f" {source.unit}" if source.unit else ""
        said = f"; the header says {match.heading.unit}" if match.heading.unit else ""
        raise LogError(
            f"readings between {low:g} and {high:g} lie beyond the transfer, which goes from "
            f"{source.transfer[0][0]:g} to {source.transfer[-1][0]:g}{unit}{said}.",
            where=where,
            mend=f"Give channels.{match.channel}.transfer in what the column holds.",
        )
    is_hex = source.raw is not None and source.raw_as == "hex"
    if is_hex and _are_whole_numbers(cells, found):
        raise LogError(
            "the column holds whole numbers and no bytes in hexadecimal.",
            where=where,
            mend=f'Write raw_as = "number" in channels.{match.channel}, if they are 256 A + B.',
        )


def _are_whole_numbers(cells: Cells, found: Cells) -> bool:
    """Tell whether the column is of numbers, or what cannot be read as bytes is whole numbers."""
    if cells.words is None:
        return True
    numbers = pd.to_numeric(cells.words, errors="coerce").to_numpy(dtype=float)
    is_wrong = np.isnan(found.numbers) & np.isfinite(numbers)
    filled = int(np.isfinite(found.numbers).sum()) + found.text_count
    return bool(
        found.text_count > MAX_TEXT_SHARE * filled
        and is_wrong.sum() > 0.9 * found.text_count
        and (numbers[is_wrong] == np.floor(numbers[is_wrong])).all()
    )


def sensor_note(match: Match, found: Cells) -> str:
    """Say what was done; empty where nothing was."""
    source = match.source
    if source is None:
        return ""
    what = f"Column {match.heading.text!r}:"
    if source.raw is not None:
        return f"{what} raw bytes became {match.unit} by the scaling of parameter {source.raw}."
    if source.transfer is None:
        return ""
    (low, first), (high, last) = source.transfer[0], source.transfer[-1]
    unit = "" if source.unit in (None, "1") else f" {source.unit}"
    return (
        f"{what} {low:g} to {high:g}{unit} became {first:g} to {last:g} "
        f"{source.transfer_unit} by the setup's transfer."
        + (f" {found.beyond} {BEYOND_WORDS}" if found.beyond else "")
    )


def apply_transfer(values: Floats, pairs: tuple[tuple[float, float], ...]) -> Floats:
    """Look readings up in a sensor's transfer.

    Parameters
    ----------
    values
        Readings, nan stays nan. [``unit`` of the entry]
    pairs
        Reading and what it stands for, readings rising.

    Returns
    -------
    numpy.ndarray
        Straight between pairs, held at the outer ones; nan beyond `BEYOND_SHARE`.
        [``transfer_unit``]

    Examples
    --------
    >>> apply_transfer(np.array([-0.1, 0.0, 2.5, 5.1, 9.0]), ((0.0, 0.68), (5.0, 1.36))).round(3)
    array([0.68, 0.68, 1.02, 1.36,  nan])
    """
    table = np.asarray(pairs, dtype=float)
    slack = BEYOND_SHARE * (table[-1, 0] - table[0, 0])
    with np.errstate(invalid="ignore"):
        is_on = (values >= table[0, 0] - slack) & (values <= table[-1, 0] + slack)
    found = np.interp(values, table[:, 0], table[:, 1])
    return np.where(is_on, found, np.nan)


_HUGE = 1e12  # no measurement in any unit
AFR_CONVERTED = "AFR became lambda with a stoichiometric AFR of"
"""Start of the one note that reports a requested conversion and no uncertainty."""


@dataclass(frozen=True, eq=False)
class Column:
    """A channel's values.

    Parameters
    ----------
    match
        The column, with its unit settled.
    numbers
        One per row, nan where there is no measurement. [unit inside]
    unit_inside
        That unit.
    notes
        What was assumed or left out.
    possible
        From and to of what is a measurement. [unit inside]
    zero_is_off
        A value of zero is no measurement.
    afr_stoich
        With which AFR became lambda. [kg/kg]
    """

    match: Match
    numbers: Floats
    unit_inside: str
    notes: tuple[str, ...]
    possible: tuple[float, float] = (-np.inf, np.inf)
    zero_is_off: bool = False
    afr_stoich: float = 0.0


def build_column(
    match: Match, cells: Cells, *, setup: Setup | None, name: str, first_text_line: int
) -> Column:
    """Find a column's unit, check its values against it, and convert them.

    Parameters
    ----------
    match, cells
        The column and what stands in it.
    setup
        The car's setup, for the fuel and the axes.
    name
        File name, for messages.
    first_text_line
        Line of the first cell of text, if there is one.

    Raises
    ------
    LogError
        When the unit is unknown, in doubt, or cannot be what the values are in.
    """
    where = f"{name}, column {match.heading.text!r}"
    load_unit = setup.axes.load_unit if setup else (match.unit or "1")
    channel = channel_as_logged(match, load_unit, setup)
    mixture = mixture_of(setup)
    if channel.quantity == "pressure" and channel.plausible is CHANNELS["boost"].plausible:
        check_two_scales(match, cells.numbers, where=where)
    check_unit_text(match, channel.quantity, name=name)
    note = check_text(cells, where=where, line=first_text_line)
    notes = [f"Column {match.heading.text!r}: {note}"] if note else []
    numbers = cells.numbers
    if channel.quantity != "number":
        contradicted = check_header(match, numbers, channel, mixture, where=where)
        notes.extend([contradicted] if contradicted else [])
        check_trim(match, numbers, channel, where=where)
        match, said = infer_unit(match, numbers, channel, mixture, setup, where=where)
        notes.extend(said)
        check_values(match, numbers, setup, where=where)
    inside = load_unit if match.channel == "load" else channel.unit
    if channel.quantity == "number":
        values = numbers.copy()
        inside = match.unit or inside
    else:
        values = convert(numbers, match.unit or inside, inside, afr_stoich=mixture.afr_stoich)
    if match.unit == "afr":
        notes.append(_afr_note(match, mixture, setup))
    column = Column(
        match,
        values,
        inside,
        (),
        _possible(match, channel, inside),
        channel.plausible.zero_is_off,
        mixture.afr_stoich,
    )
    values, said = _blank_impossible(column, where=where)
    return replace(column, numbers=values, notes=(*notes, *said))


def extend_column(column: Column, numbers: Floats) -> tuple[Floats, Floats]:
    """Convert a further part of a column whose unit was settled in the first.

    Parameters
    ----------
    column
        As the first part gave it.
    numbers
        The further part. [unit as read]

    Returns
    -------
    values, wrong
        In the unit inside, nan where there is no measurement; and those that were none.
    """
    match, (low, high) = column.match, column.possible
    values = numbers
    if match.unit and match.unit != column.unit_inside:
        values = convert(numbers, match.unit, column.unit_inside, afr_stoich=column.afr_stoich)
    with np.errstate(invalid="ignore"):
        is_fine = (values >= low) & (values <= high) & (np.abs(values) <= _HUGE)
    if is_fine.all():
        return values, values[:0]
    is_given = ~np.isnan(values)
    is_off = (values == 0) & column.zero_is_off
    return np.where(is_fine, values, np.nan), values[is_given & ~is_fine & ~is_off]


def check_possible(column: Column, wrong: int, given: int, first: float, *, where: str) -> None:
    """Refuse a column of which many values are no measurement.

    Parameters
    ----------
    column
        With its unit settled.
    wrong, given
        Values that are none, of how many. [1]
    first
        The first of them. [unit inside]
    where
        File and column, for messages.
    """
    match, (low, high) = column.match, column.possible
    is_mixture = match.unit is not None and unit_named(match.unit).quantity == "mixture"
    if wrong > MAX_IMPOSSIBLE_SHARE * max(1, given) and not is_mixture:
        raise LogError(
            f"{wrong} of {given} values cannot be {match.channel.replace('_', ' ')}: "
            f"the first is {first:g} {column.unit_inside}, and {low:g} to {high:g} is possible.",
            where=where,
            mend="Check the sensor, the column and its unit.",
        )


def _possible(match: Match, channel: Channel, unit: str) -> tuple[float, float]:
    """Return from where to where a value is a measurement. [unit inside]"""
    if match.channel == "load" and channel.quantity == "pressure":
        kin = CHANNELS["manifold_pressure" if channel.plausible.zero_is_off else "boost"]
        low, high = (float(v) for v in convert(list(kin.possible), "kPa", unit))
        return low, high
    return channel.possible


def _afr_note(match: Match, mixture: Mixture, setup: Setup | None) -> str:
    origin = "the setup's fuel" if setup else "petrol, since no setup was given"
    return f"Column {match.heading.text!r}: {AFR_CONVERTED} {mixture.afr_stoich:g} ({origin})."


def _blank_impossible(column: Column, *, where: str) -> tuple[Floats, list[str]]:
    """Blank single cells that are no measurement; refuse where they are many."""
    values, (low, high), header = column.numbers, column.possible, column.match.heading.text
    is_given = ~np.isnan(values)
    with np.errstate(invalid="ignore"):
        is_out = is_given & ((values < low) | (values > high) | (np.abs(values) > _HUGE))
    is_off = is_out & (values == 0) & column.zero_is_off
    wrong = values[is_out & ~is_off]
    notes = []
    if len(wrong):
        first = float(wrong[0])
        check_possible(column, len(wrong), int(is_given.sum()), first, where=where)
        notes.append(
            f"Column {header!r}: {len(wrong)} impossible value(s) were left out, the first "
            f"{first:g} {column.unit_inside}."
        )
    if is_off.any():
        notes.append(
            f"Column {header!r}: {int(is_off.sum())} zero(s) were left out; the sensor "
            "was not ready."
        )
    return np.where(is_out, np.nan, values), notes


MOST_SAMPLED = 50_000
"""Values of a column that are kept for checking its unit, evenly over the log: a share of 1 % is
then told to 0.05 %. [1]"""


class TextCount:
    """Counts a column's cells of text, over parts."""

    def __init__(self) -> None:
        self.count = self._numbers = 0
        self._first = (0, "")

    def add(self, cells: Cells, lines: npt.NDArray[np.int64], numbers: int) -> None:
        """Count a part's cells, of which so many are numbers."""
        if cells.text_count and not self.count:
            self._first = (int(lines[cells.text_example[0]]), cells.text_example[1])
        self.count += cells.text_count
        self._numbers += numbers

    def check(self, where: str) -> None:
        """Refuse a column of words."""
        line, example = self._first
        check_texts(self.count, self._numbers, example, where=f"{where}, row {line}")


class ColumnChecker:
    """Collects over a whole log what the checks of a column need.

    Parameters
    ----------
    column
        As the first part settled it.
    """

    def __init__(self, column: Column) -> None:
        self.column = replace(column, numbers=np.empty(0))
        self._sampled: list[Floats] = []
        self._count, self._stride = 0, 1
        self._given = self.wrong = self.beyond = 0
        self._first_wrong = float("nan")
        self.texts = TextCount()

    @property
    def left_out(self) -> dict[str, int]:
        """How many cells were left out so far, by the words that say why."""
        return {
            "impossible value(s) were left out.": self.wrong,
            "cell(s) of text were left out.": self.texts.count,
            BEYOND_WORDS: self.beyond,
        }

    def notes_since(self, before: Mapping[str, int]) -> list[str]:
        """Say how many were left out since ``left_out`` was ``before``."""
        return [
            f"Column {self.column.match.heading.text!r}: behind the first part, "
            f"{count - before[why]} {why}"
            for why, count in self.left_out.items()
            if count > before[why]
        ]

    def add(self, cells: Cells, lines: npt.NDArray[np.int64]) -> Floats:
        """Convert a part's cells and count them.

        Parameters
        ----------
        cells
            The part's cells in the match's unit.
        lines
            Their lines in the file.

        Returns
        -------
        numpy.ndarray
            In the unit inside, nan where there is no measurement.
        """
        values, wrong = extend_column(self.column, cells.numbers)
        if len(wrong) and not self.wrong:
            self._first_wrong = float(wrong[0])
        self.wrong += len(wrong)
        self.beyond += cells.beyond
        self.texts.add(cells, lines, self._sample(cells.numbers))
        return values

    def check(self, setup: Setup | None, name: str) -> None:
        """Make the checks of the first part on the whole column.

        Raises
        ------
        LogError
            As `tuneassist.reading.columns.build_column`.
        """
        match = self.column.match
        where = f"{name}, column {match.heading.text!r}"
        self.texts.check(where)
        try:
            check_values(match, np.concatenate([np.empty(0), *self._sampled]), setup, where=where)
        except LogError as error:  # the first part was what its unit says
            raise LogError(
                f"the log begins in {match.unit or 'its unit'}, and what follows does not fit "
                "that: unit or sensor changed in mid-log.",
                where=where,
                mend="Split the log where it changes, or export it again in one unit.",
            ) from error
        check_possible(self.column, self.wrong, self._given, self._first_wrong, where=where)

    def _sample(self, numbers: Floats) -> int:
        """Sample a part's values for the checks; return how many are finite."""
        is_full = bool(np.isfinite(numbers.sum()))
        given = numbers if is_full else numbers[~np.isnan(numbers)]
        self._given += len(given)
        kept = given[:: self._stride].copy()
        self._sampled.append(kept)
        self._count += len(kept)
        while self._count > MOST_SAMPLED:
            self._sampled = [np.concatenate(self._sampled)[::2]]
            self._count = len(self._sampled[0])
            self._stride *= 2
        return len(given) if is_full else int(np.isfinite(given).sum())


ON_THE_AXIS = 0.8
"""With this share of the samples on the load axis one way, and as many off it the other way, the
axis tells gauge from absolute. [1]"""


@dataclass(eq=False)
class PartColumns:
    """The columns converted so far of one part of a log."""

    setup: Setup | None
    name: str
    piece: Piece
    columns: dict[str, Column] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    @property
    def lines(self) -> npt.NDArray[np.int64]:
        """Line in the file of every row."""
        return self.piece.lines


def check_gauges(part: PartColumns) -> None:
    """Refuse pressures that are gauge by name only and may be absolute.

    Parameters
    ----------
    part
        The first part.
    """
    others: dict[str, Floats] = {
        name: part.columns[name].numbers
        for name in ("throttle", "pedal", "manifold_pressure")
        if name in part.columns
    }
    _check_one_reference(part)
    is_spark = part.setup is None or part.setup.engine.ignition == "spark"
    settled: set[int] = set()  # columns that the axes tell to be gauge
    for name in ("load", "boost"):
        column = part.columns.get(name)
        if column is None or unit_named(column.unit_inside).quantity != "pressure":
            continue
        if not _is_gauge(part, name, column):
            continue
        if name == "load" and _fits_gauge_axis(part, column):
            settled.add(column.match.heading.index)
        if column.match.heading.index in settled:
            continue
        where = f"{part.name}, column {column.match.heading.text!r}"
        values = convert(column.numbers, column.unit_inside, "kPa")
        try:
            check_boost(column.match, values, others, is_spark=is_spark, where=where)
        except LogError as error:
            if not may_leave_out(column.match, error, part.setup):
                raise or_unread(error, name, part.setup) from error
            part.notes.append(left_out(error, part.name))
            del part.columns[name]


def _is_gauge(part: PartColumns, name: str, column: Column) -> bool:
    """Tell whether the column, as it was logged, is taken to count from the barometer."""
    return (name == "boost" or is_gauge_axis(part.setup)) != bool(column.match.shift)


def _check_one_reference(part: PartColumns) -> None:
    """Refuse one column that is gauge for load and absolute for boost, or the other way round."""
    load, boost = part.columns.get("load"), part.columns.get("boost")
    if load is None or boost is None or load.match.heading.index != boost.match.heading.index:
        return
    words = {True: "gauge", False: "absolute"}
    of_load, of_boost = _is_gauge(part, "load", load), _is_gauge(part, "boost", boost)
    if of_load != of_boost:
        raise LogError(
            f"the column is taken as {words[of_load]} for load and {words[of_boost]} for boost.",
            where=f"{part.name}, column {load.match.heading.text!r}",
            mend="Under [channels] give both entries the same unit, such as "
            f'"{load.match.unit or "kPa"} gauge".',
        )


def _fits_gauge_axis(part: PartColumns, column: Column) -> bool:
    """Tell whether the load lies on the table as gauge pressure, and would not as absolute."""
    if part.setup is None:
        return False
    points = part.setup.axes.load
    atmosphere = convert(part.setup.limits.barometer_kpa, "kPa", column.unit_inside)
    values = column.numbers[np.isfinite(column.numbers)]
    as_gauge, as_absolute = (
        float(np.mean((at >= points[0]) & (at <= points[-1]))) if len(at) else 0.0
        for at in (values, values - atmosphere)
    )
    return as_gauge >= ON_THE_AXIS and as_absolute <= 1.0 - ON_THE_AXIS


def apply_barometer(part: PartColumns, before_kpa: float | None = None) -> float | None:
    """Bring gauge pressures to absolute and back, with the logged barometer where there is one.

    Parameters
    ----------
    part
        The part.
    before_kpa
        What the barometer said last in the parts before; None where it has said nothing. [kPa]

    Returns
    -------
    float
        What it said last. [kPa]
    """
    fixed = part.setup.limits.barometer_kpa if part.setup else ATMOSPHERE_KPA
    pressure: Floats = np.full(len(part.lines), fixed)
    origin = f"a barometer of {_fixed_words(fixed, part.setup)} (none was logged)"
    logged = part.columns.get("barometer")
    if logged is not None:
        pressure, before_kpa = _carried(logged.numbers, before_kpa, fixed)
        origin = "the logged barometer"
    for name, column in list(part.columns.items()):
        if column.match.shift:
            change = column.match.shift * convert(pressure, "kPa", column.unit_inside)
            part.columns[name] = replace(column, numbers=column.numbers + change)
            sign = "added to" if column.match.shift > 0 else "taken from"
            part.notes.append(f"{name}: {origin} was {sign} {column.match.heading.text!r}.")
    _add_manifold_pressure(part, pressure, origin)
    return before_kpa


def _fixed_words(fixed_kpa: float, setup: Setup | None) -> str:
    units = units_before(setup, None)
    return f"{fixed_kpa:g} kPa" if units.word("kPa") == "kPa" else units.said(fixed_kpa, "kPa")


def _carried(
    numbers: Floats, before_kpa: float | None, fixed_kpa: float
) -> tuple[Floats, float | None]:
    """Fill a barometer's blanks with its last value, and those at the start with its first."""
    given = np.flatnonzero(np.isfinite(numbers))
    if len(given) == len(numbers) > 0:
        return numbers, float(numbers[-1])
    if not len(given):
        return np.full(len(numbers), fixed_kpa if before_kpa is None else before_kpa), before_kpa
    place = np.searchsorted(given, np.arange(len(numbers)), side="right") - 1
    first = float(numbers[given[0]]) if before_kpa is None else before_kpa
    filled = np.where(place < 0, first, numbers[given[np.maximum(place, 0)]])
    return filled, float(numbers[given[-1]])


def _add_manifold_pressure(part: PartColumns, barometer: Floats, origin: str) -> None:
    """Derive absolute manifold pressure from load or boost where it has no column of its own."""
    if "manifold_pressure" in part.columns:
        return
    load, boost = part.columns.get("load"), part.columns.get("boost")
    setup = part.setup
    if setup and load and unit_named(setup.axes.load_unit).quantity == "pressure":
        values = convert(load.numbers, load.unit_inside, "kPa")
        if is_gauge_axis(setup):
            values = values + barometer
            part.notes.append(
                f"manifold_pressure: {origin} was added to {load.match.heading.text!r}."
            )
        part.columns["manifold_pressure"] = Column(load.match, values, "kPa", ())
    elif boost:
        part.columns["manifold_pressure"] = Column(
            boost.match, boost.numbers + barometer, "kPa", ()
        )
        part.notes.append(f"manifold_pressure: {origin} was added to {boost.match.heading.text!r}.")


def samples_of(part: PartColumns, seconds: Floats) -> pd.DataFrame:
    """Return the rows that have a time as samples."""
    columns: dict[str, object] = {"row": part.lines, "time_s": seconds}
    for name, channel in CHANNELS.items():
        if name in part.columns:
            columns[channel.column] = part.columns[name].numbers
    is_usable = np.isfinite(seconds)
    frame = pd.DataFrame(columns, copy=False)
    return frame if is_usable.all() else frame[is_usable].reset_index(drop=True)
