"""One part of a log: its columns read and converted, pressures brought to one reference."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping, Set
from dataclasses import replace

import numpy as np

from tuneassist.channels import CHANNELS
from tuneassist.errors import LogError
from tuneassist.reading.checks import (
    MIN_FILLED_SHARE,
    MIN_ROWS,
    check_filled,
    check_found,
    check_rows,
)
from tuneassist.reading.clock import Timeline, build_timeline, head_of
from tuneassist.reading.columns import build_column, extend_column
from tuneassist.reading.delimited import DelimitedParts
from tuneassist.reading.doubt import check_time_header
from tuneassist.reading.guard import check_text, setup_line
from tuneassist.reading.headers import read_heading
from tuneassist.reading.late import tells, values_behind
from tuneassist.reading.log import Cells, Parts, Piece, Progress, Wanted
from tuneassist.reading.picks import Pick, UnclearError, left_out
from tuneassist.reading.plan import is_needed, or_unread, plan_columns
from tuneassist.reading.pressures import PartWork, apply_barometer, check_gauges, samples_of
from tuneassist.reading.sensors import check_readings, falls, sensed, sensed_note
from tuneassist.reading.source import Source
from tuneassist.settings import Setup


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
        self.wanted = wanted_of(plan.picks)
        piece = self.parts.first(self.wanted)
        check_rows(piece, source.name)
        say(0.6)
        work = PartWork(setup, source.name, piece, notes=[*piece.notes, *plan.notes])
        self.work = work
        self._rest = self.parts.more(self.wanted)
        self._next = next(self._rest, None)
        self.is_whole = self._next is None
        try:
            self._convert(headers, rows, say)
        except BaseException:
            self.close()
            raise

    def _convert(self, headers: Set[str], rows: int, say: Progress) -> None:
        work, picks = self.work, self.picks
        time = picks["time"]
        ahead = self._next.cells[time.heading.index] if self._next else None
        self.timeline = _read_time(work, time, work.piece.cells[time.heading.index], ahead)
        late = self._late(headers, rows)
        for place, pick in enumerate(picks.values()):
            if pick.channel != "time":
                cells = work.piece.cells[pick.heading.index]
                _read_column(work, pick, cells, late.get(pick.channel))
            say(0.6 + 0.35 * (place + 1) / len(picks))
        check_gauges(work, may_leave_out)
        self.as_logged = dict(work.columns)
        self.barometer_kpa = apply_barometer(work)
        filled = {name: int(np.isfinite(c.numbers).sum()) for name, c in work.columns.items()}
        self.check_filled(filled, len(work.lines), is_all=self.is_whole)
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

    @property
    def time_where(self) -> str:
        """File and column of the time, for messages."""
        return f"{self.name}, column {self.picks['time'].heading.text!r}"

    def further(self) -> Iterator[tuple[Piece, Piece | None]]:
        """Read on behind the first part: each part, and the one that follows it."""
        piece = self._next
        while piece is not None:
            following = next(self._rest, None)
            yield piece, following
            piece = following

    def close(self) -> None:
        """Let go of what reads on, also when not all of it was wanted."""
        if isinstance(self._rest, Generator):
            self._rest.close()

    def _late(self, headers: Set[str], rows: int) -> dict[str, Cells]:
        """Return what columns hold behind a first part in which they tell nothing."""
        if self.is_whole:
            return {}
        silent = {
            name: pick
            for name, pick in self.picks.items()
            if name != "time" and _is_silent(pick, self.work)
        }
        if not silent:
            return {}
        with Source(self.path) as again:
            parts = open_parts(again, wanted=headers, rows=rows)
            return values_behind(parts, wanted_of, silent, self.setup)


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


def wanted_of(picks: Mapping[str, Pick]) -> Wanted:
    """Return what a reader must fetch for these columns."""
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


def _is_silent(pick: Pick, work: PartWork) -> bool:
    cells = work.piece.cells[pick.heading.index]
    return not cells.text_count and not len(tells(pick, sensed(pick, cells).numbers, work.setup))


def _read_time(work: PartWork, pick: Pick, cells: Cells, ahead: Cells | None) -> Timeline:
    where = f"{work.name}, column {pick.heading.text!r}"
    said = check_time_header(pick, cells, where=where)
    work.notes.extend([said] if said else [])
    timeline = build_timeline(
        cells,
        unit=pick.unit,
        unit_how=pick.unit_how,
        where=where,
        entry=setup_line("time", pick.heading.text, "%s"),
        ahead=ahead and head_of(ahead),
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


def _read_column(work: PartWork, pick: Pick, cells: Cells, late: Cells | None) -> None:
    """Add a column; one that is in doubt is left out with a note where nothing hangs on it.

    One that tells nothing here is built by what it holds ``late``, behind this part.
    """
    pick = _same_unit(work, pick)
    raw, cells = cells, sensed(pick, cells)
    line = _text_line(work, cells)
    try:
        where = f"{work.name}, column {pick.heading.text!r}"
        check_readings(pick, raw, cells, where=where)
        column = build_column(
            pick, late or cells, setup=work.setup, name=work.name, first_text_line=line
        )
    except LogError as error:
        if may_leave_out(pick, error, work.setup):
            work.notes.append(left_out(error, work.name))
            return
        if pick.how == "header":
            raise or_unread(error, pick.channel, work.setup) from error
        raise
    said = sensed_note(pick, cells)
    work.notes.extend([said, *column.notes] if said else column.notes)
    if late:
        column = replace(column, numbers=extend_column(column, cells.numbers)[0])
    if late or np.isfinite(column.numbers).any():
        work.columns[pick.channel] = column
    else:
        work.notes.append(f"Column {pick.heading.text!r} holds no numbers; it was left out.")


def may_leave_out(pick: Pick, error: LogError, setup: Setup | None) -> bool:
    """Tell whether doubt about a column is a note: nothing hangs on it, or no setup asks for it."""
    is_open = setup is None and isinstance(error, UnclearError)
    return is_open or (pick.how == "header" and not is_needed(pick.channel, setup))


def _same_unit(work: PartWork, pick: Pick) -> Pick:
    """Give a column that already serves another channel the unit that was settled there."""
    for column in work.columns.values():
        if pick.unit is None and column.pick.heading.index == pick.heading.index:
            return replace(pick, unit=column.pick.unit, unit_how=column.pick.unit_how)
    return pick
