"""One part of a log: its columns read and converted, pressures brought to one reference."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.channels import CHANNELS
from tuneassist.errors import LogError
from tuneassist.reading.checks import (
    MIN_FILLED_SHARE,
    MIN_ROWS,
    check_filled,
    check_found,
    check_rows,
)
from tuneassist.reading.clock import Timeline, build_timeline
from tuneassist.reading.columns import Column, build_column
from tuneassist.reading.delimited import DelimitedParts
from tuneassist.reading.doubt import check_boost, check_time_header
from tuneassist.reading.guard import check_text, setup_line
from tuneassist.reading.headers import read_heading
from tuneassist.reading.log import Cells, Floats, Parts, Piece, Progress, Wanted
from tuneassist.reading.picks import Pick, UnclearError, is_gauge_axis
from tuneassist.reading.plan import is_needed, plan_columns
from tuneassist.reading.sensors import check_readings, falls, sensed, sensed_note
from tuneassist.reading.source import Source
from tuneassist.settings import Setup
from tuneassist.units import ATMOSPHERE_KPA, convert, unit_named


@dataclass(eq=False)
class PartWork:
    """What has been read so far of one part of a log."""

    setup: Setup | None
    name: str
    piece: Piece
    columns: dict[str, Column] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    @property
    def lines(self) -> npt.NDArray[np.int64]:
        """Line in the file of every row."""
        return self.piece.lines


class FirstPart:
    """The first part of a log: columns and units are settled here."""

    def __init__(self, source: Source, setup: Setup | None, rows: int, say: Progress) -> None:
        self.setup, self.name, self.path = setup, source.name, source.path
        headers = {entry.column for entry in setup.channels.values()} if setup else set()
        say(0.1)
        self.parts = open_parts(source, wanted=headers, rows=rows)
        self.headings = [
            read_heading(i, text, unit) for i, (text, unit) in enumerate(self.parts.headers)
        ]
        plan = plan_columns(self.headings, setup, name=source.name)
        check_found(plan.picks, self.headings, setup, name=source.name)
        say(0.2)
        self.picks = plan.picks
        self.wanted = _wanted(plan.picks)
        piece = self.parts.first(self.wanted)
        check_rows(piece, source.name)
        say(0.6)
        work = PartWork(setup, source.name, piece, notes=[*piece.notes, *plan.notes])
        self.work = work
        time = plan.picks["time"]
        self.timeline = _read_time(work, time, piece.cells[time.heading.index])
        for place, pick in enumerate(plan.picks.values()):
            if pick.channel != "time":
                _read_column(work, pick, piece.cells[pick.heading.index])
            say(0.6 + 0.35 * (place + 1) / len(plan.picks))
        _check_gauges(work)
        self.as_logged = dict(work.columns)
        apply_barometer(work)
        filled = {name: int(np.isfinite(c.numbers).sum()) for name, c in work.columns.items()}
        self.check_filled(filled, len(work.lines), is_all=self.parts.is_whole)
        self.samples = samples_of(work, self.timeline.seconds)

    def check_filled(self, filled: Mapping[str, int], rows: int, *, is_all: bool) -> None:
        """Refuse a log whose needed channels are all but empty, given how many cells are not.

        Of a long log the first part needs a few values of each, whatever their share.
        """
        if self.setup is not None:
            check_filled(
                self.work.columns,
                self.headings,
                filled,
                rows=rows,
                name=self.name,
                share=MIN_FILLED_SHARE if is_all else 0.0,
            )

    def further(self) -> Iterator[Piece]:
        """Read on behind the first part."""
        return self.parts.more(self.wanted)


def open_parts(source: Source, *, wanted: Set[str], rows: int) -> Parts:
    """Return the reader of a file's format.

    Parameters
    ----------
    source
        The file, open at its start.
    wanted
        Headers that the setup names.
    rows
        Rows of the first part. [rows]
    """
    if source.kind == "text":
        return DelimitedParts(source, wanted=wanted, rows=rows)
    if source.kind == "mdf":
        from tuneassist.reading.mdf import MdfParts

        return MdfParts(source, wanted=wanted, rows=rows)
    from tuneassist.reading.columnar import ColumnarParts

    return ColumnarParts(source, wanted=wanted, rows=rows)


def _wanted(picks: Mapping[str, Pick]) -> Wanted:
    at = {name: pick.heading.index for name, pick in picks.items()}
    main = frozenset(at[name] for name in ("rpm", "load", "lambda") if name in at)
    return Wanted(
        tuple(sorted(set(at.values()))),
        frozenset(
            at[name] for name, pick in picks.items() if pick.source and pick.source.raw is not None
        ),
        main,
        {
            at[name]: -1 if falls(pick) else 1
            for name, pick in picks.items()
            if CHANNELS[name].keeps_peak and at[name] not in main
        },
    )


def _read_time(work: PartWork, pick: Pick, cells: Cells) -> Timeline:
    where = f"{work.name}, column {pick.heading.text!r}"
    said = check_time_header(pick, cells, where=where)
    work.notes.extend([said] if said else [])
    timeline = build_timeline(
        cells,
        unit=pick.unit,
        unit_how=pick.unit_how,
        where=where,
        entry=setup_line("time", pick.heading.text, "%s"),
    )
    if timeline.is_usable.sum() < MIN_ROWS:
        raise LogError(
            f"only {int(timeline.is_usable.sum())} rows have a usable time.", where=where
        )
    if not timeline.is_clock:
        note = check_text(cells, where=where, line=_text_line(work, cells))
        if note:
            work.notes.append(note)
    work.notes.extend(timeline.notes)
    return timeline


def _text_line(work: PartWork, cells: Cells) -> int:
    return int(work.lines[cells.text_example[0]])


def _read_column(work: PartWork, pick: Pick, cells: Cells) -> None:
    """Add a column; one that is in doubt is left out with a note where nothing hangs on it."""
    pick = _same_unit(work, pick)
    raw, cells = cells, sensed(pick, cells)
    line = _text_line(work, cells)
    try:
        where = f"{work.name}, column {pick.heading.text!r}"
        check_readings(pick, raw, cells, where=where)
        column = build_column(pick, cells, setup=work.setup, name=work.name, first_text_line=line)
    except LogError as error:
        is_open = work.setup is None and isinstance(error, UnclearError)
        if is_open or (pick.how == "header" and not is_needed(pick.channel, work.setup)):
            work.notes.append(f"{error} It was left out.")
            return
        raise
    said = sensed_note(pick, cells)
    work.notes.extend([said, *column.notes] if said else column.notes)
    if np.isfinite(column.numbers).any():
        work.columns[pick.channel] = column
    else:
        work.notes.append(f"Column {pick.heading.text!r} holds no numbers; it was left out.")


def _check_gauges(work: PartWork) -> None:
    """Ask where what is gauge by its name alone may be absolute."""
    others: dict[str, Floats] = {
        name: work.columns[name].numbers
        for name in ("throttle", "pedal", "manifold_pressure")
        if name in work.columns
    }
    is_spark = work.setup is None or work.setup.engine.ignition == "spark"
    for name in ("boost", "load"):
        column = work.columns.get(name)
        if column is None or unit_named(column.unit_inside).quantity != "pressure":
            continue
        is_gauge = (name == "boost" or is_gauge_axis(work.setup)) != bool(column.pick.shift)
        if is_gauge:
            where = f"{work.name}, column {column.pick.heading.text!r}"
            values = convert(column.numbers, column.unit_inside, "kPa")
            try:
                check_boost(column.pick, values, others, is_spark=is_spark, where=where)
            except UnclearError as error:
                if work.setup is not None:
                    raise
                work.notes.append(f"{error} It was left out.")
                del work.columns[name]


def _same_unit(work: PartWork, pick: Pick) -> Pick:
    """Give a column that already serves another channel the unit that was settled there."""
    for column in work.columns.values():
        if pick.unit is None and column.pick.heading.index == pick.heading.index:
            return replace(pick, unit=column.pick.unit, unit_how=column.pick.unit_how)
    return pick


def apply_barometer(work: PartWork, usual: Column | None = None) -> None:
    """Bring gauge pressures to absolute and back, with the logged barometer where there is one.

    Blanks in it are filled with its median, that of the first part (``usual``) in further ones.
    """
    logged = work.columns.get("barometer")
    fixed = work.setup.limits.barometer_kpa if work.setup else ATMOSPHERE_KPA
    pressure: Floats = np.full(len(work.lines), fixed)
    origin = f"a barometer of {fixed:g} kPa (none was logged)"
    if logged is not None:
        pressure = np.where(
            np.isfinite(logged.numbers), logged.numbers, np.nanmedian((usual or logged).numbers)
        )
        origin = "the logged barometer"
    for name, column in list(work.columns.items()):
        if column.pick.shift:
            change = column.pick.shift * convert(pressure, "kPa", column.unit_inside)
            work.columns[name] = replace(column, numbers=column.numbers + change)
            sign = "added to" if column.pick.shift > 0 else "taken from"
            work.notes.append(f"{name}: {origin} was {sign} {column.pick.heading.text!r}.")
    _add_manifold_pressure(work, pressure, origin)


def _add_manifold_pressure(work: PartWork, barometer: Floats, origin: str) -> None:
    """Derive absolute manifold pressure from load or boost where it has no column of its own."""
    if "manifold_pressure" in work.columns:
        return
    load, boost = work.columns.get("load"), work.columns.get("boost")
    setup = work.setup
    if setup and load and unit_named(setup.axes.load_unit).quantity == "pressure":
        values = convert(load.numbers, load.unit_inside, "kPa")
        if is_gauge_axis(setup):
            values = values + barometer
        work.columns["manifold_pressure"] = Column(load.pick, values, "kPa", ())
    elif boost:
        work.columns["manifold_pressure"] = Column(boost.pick, boost.numbers + barometer, "kPa", ())
        work.notes.append(f"manifold_pressure: {origin} was added to {boost.pick.heading.text!r}.")


def samples_of(work: PartWork, seconds: Floats) -> pd.DataFrame:
    """Return the rows that have a time as samples."""
    columns: dict[str, object] = {"row": work.lines, "time_s": seconds}
    for name, channel in CHANNELS.items():
        if name in work.columns:
            columns[channel.column] = work.columns[name].numbers
    is_usable = np.isfinite(seconds)
    frame = pd.DataFrame(columns, copy=False)
    return frame if is_usable.all() else frame[is_usable].reset_index(drop=True)
