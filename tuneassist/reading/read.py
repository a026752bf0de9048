"""Read one log: file, table, columns, time, samples, in that order, part by part.

The first part tells which column serves which channel, in which unit, and how the time is written.
Every part, the first as well, is then converted and counted the same way.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence, Set
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from tuneassist.arguments import file_path, of_kind
from tuneassist.channels import CHANNELS
from tuneassist.errors import LogError, SetupError
from tuneassist.inert import one_line
from tuneassist.reading.columns import (
    Column,
    ColumnChecker,
    PartColumns,
    TextCount,
    apply_barometer,
    apply_sensor,
    build_column,
    check_gauges,
    check_readings,
    extend_column,
    is_falling,
    samples_of,
    sensor_note,
)
from tuneassist.reading.delimited import DelimitedParts
from tuneassist.reading.headers import Heading, read_heading
from tuneassist.reading.log import Cells, ColumnReport, Floats, Log, Parts, Piece, Progress, Wanted
from tuneassist.reading.matching import (
    Match,
    left_out,
    listed,
    match_columns,
    may_leave_out,
    or_unread,
    quantity_of,
    setup_line,
)
from tuneassist.reading.source import Prefetcher, Source, check_row_count
from tuneassist.reading.timeline import Timeline, TimeReader, refuse_falling
from tuneassist.reading.unit_checks import TRIMS, check_text, check_time_header
from tuneassist.settings import READ_SETUP, Setup, SteadySettings

FIRST_ROWS = SteadySettings().estimate_rows
"""Rows of the first part where no setup says otherwise. [rows]"""
MAX_PREFETCHED_PARTS, MAX_PREFETCHED_VALUES = 12, 2_000_000
"""Parts that are read ahead of their use: at most so many, and no more than hold so many values
(16 MB). [1]"""
MIN_ROWS = 5
"""Fewer rows of data than this are no log. [rows]"""
MIN_FILLED_SHARE = 0.02
"""A channel that a proposal needs must have a number in at least this share of the rows. [1]"""
ENOUGH_VALUES = 1000
"""Values by which a unit is found, of a column that is empty at first. [1]"""
_OPENED, _MATCHED, _PARSED, _CONVERTED = 0.1, 0.2, 0.6, 0.95  # share done of the first part


def read_log(
    path: str | Path, *, setup: Setup | None = None, progress: Progress | None = None
) -> Log:
    """Read a log file into samples in the units inside.

    Parameters
    ----------
    path
        The file.
    setup
        The car's setup. With one, what a proposal needs must be there and in no doubt; without,
        what can be recognised is read and doubts become notes.
    progress
        Called with the share done.

    Returns
    -------
    Log
        Samples, and what was recognised, converted, mended and dropped.

    Raises
    ------
    LogError
        When the file cannot be used; the message says why and what would be right.
    """
    reader = LogReader(path, setup=setup, progress=progress)
    parts = list(reader.parts())
    whole = parts[0] if len(parts) == 1 else pd.concat(parts, ignore_index=True)
    return replace(reader.log(), samples=whole)


class LogReader:
    """Reads one log part by part, so that memory does not grow with the log.

    Parameters
    ----------
    path, setup, progress
        As for `read_log`.

    Examples
    --------
    ::

        reader = LogReader("long.csv", setup=setup)
        for samples in reader.parts():
            ...
        log = reader.log()  # its ``samples`` are the last part's
    """

    def __init__(
        self,
        path: str | Path,
        *,
        setup: Setup | None = None,
        progress: Progress | None = None,
    ) -> None:
        if setup is not None:
            of_kind(setup, Setup, what="setup", mend=READ_SETUP, error=SetupError)
        self._path, self._setup = file_path(path, error=LogError), setup
        self._rows = setup.steady.estimate_rows if setup else FIRST_ROWS
        self._report_progress = progress or (lambda share: None)
        self._log: Log | None = None

    def log(self) -> Log:
        """Return what was read, without the samples; to be called after the last part.

        Raises
        ------
        LogError
            When the log as a whole cannot be used.
        """
        if self._log is None:
            raise RuntimeError("the log has not been read to its end")
        return self._log

    def parts(self) -> Iterator[pd.DataFrame]:
        """Yield the samples, the first part first.

        Raises
        ------
        LogError
            When the file cannot be used.
        """
        with Source(self._path) as source:
            reader = _PartReader(source, self._setup, self._rows, self._report_progress)
            with closing(reader):
                found = reader.samples()
                first = next(found)
                if reader.is_whole:
                    yield first
                else:
                    yield from self._further(first, found, source)
            reader.check()
            self._report_progress(1.0)
            self._log = reader.log()

    def _further(
        self, first: pd.DataFrame, found: Iterator[pd.DataFrame], source: Source
    ) -> Iterator[pd.DataFrame]:
        """Yield the parts of a long log, the next ones read while one is worked on."""
        depth = max(2, min(MAX_PREFETCHED_PARTS, MAX_PREFETCHED_VALUES // max(1, first.size)))
        with Prefetcher(found, depth=depth) as parts:
            yield first
            for samples in parts:
                self._report_progress(source.share)
                if len(samples):
                    yield samples


class _PartReader:
    """The parts of one open log: columns matched, converted, and counted for the report."""

    def __init__(
        self, source: Source, setup: Setup | None, rows: int, report_progress: Progress
    ) -> None:
        self._source, self._setup, self._name = source, setup, source.name
        self._rows_of_part, self._report_progress = rows, report_progress
        self._headers = {entry.column for entry in setup.channels.values()} if setup else set()
        report_progress(_OPENED)
        self._parts = open_parts(source, wanted=self._headers, rows=rows)
        self._headings = [
            read_heading(i, text, unit) for i, (text, unit) in enumerate(self._parts.headers)
        ]
        matched = match_columns(self._headings, setup, name=source.name)
        check_found(matched.matches, self._headings, setup, name=source.name)
        report_progress(_MATCHED)
        self._matches = matched.matches
        self._pieces = self._parts.pieces(wanted_of(matched.matches))
        self._match_notes = matched.notes
        self.is_whole = True
        self._notes: dict[str, None] = {}
        self._running: dict[str, ColumnChecker] = {}
        self._left_out_in_first: dict[str, dict[str, int]] = {}
        self._barometer_kpa: float | None = None
        self._counts = _Counts()

    @property
    def _time_where(self) -> str:
        return f"{self._name}, column {self._matches['time'].heading.text!r}"

    def close(self) -> None:
        """Close the file's reader, also where not all of it was read."""
        self._pieces.close()

    def samples(self) -> Iterator[pd.DataFrame]:
        """Yield the samples of every part; units found in the first part hold for all."""
        at = self._matches["time"].heading.index
        piece: Piece | None = next(self._pieces)
        assert piece is not None
        check_enough_rows(piece, self._name)
        self._report_progress(_PARSED)
        following = next(self._pieces, None)
        self.is_whole = following is None
        time = self._start(piece)
        while piece is not None:
            line = time.read(piece.cells[at], following.cells[at] if following else None)
            if not self._counts.rows:
                self._find_units(piece, time, line)
            yield self._convert(piece, time, line)
            piece, following = following, next(self._pieces, None) if following else None

    def _start(self, piece: Piece) -> TimeReader:
        """Find out from the first part how the time is written."""
        self._note(*piece.notes, *self._match_notes)
        match = self._matches["time"]
        cells, where = piece.cells[match.heading.index], self._time_where
        self._note(check_time_header(match, cells, where=where))
        entry = setup_line("time", match.heading.text, "%s")
        return TimeReader(cells, unit=match.unit, unit_how=match.unit_how, where=where, entry=entry)

    def _find_units(self, piece: Piece, time: TimeReader, line: Timeline) -> None:
        """Find every column's unit from the first part, and leave out what is in doubt."""
        self._check_time(piece, time, line)
        part = PartColumns(self._setup, self._name, piece)
        later = self._empty_at_first(part)
        share = (_CONVERTED - _PARSED) / len(self._matches)
        for place, match in enumerate(self._matches.values()):
            if match.channel != "time":
                _add_column(part, match, later.get(match.channel))
            self._report_progress(_PARSED + share * (place + 1))
        check_gauges(part)
        self._note(*part.notes)
        self._running = {name: ColumnChecker(column) for name, column in part.columns.items()}

    def _check_time(self, piece: Piece, time: TimeReader, line: Timeline) -> None:
        usable = int(line.is_usable.sum())
        if usable < MIN_ROWS:
            raise LogError(f"only {usable} rows have a usable time.", where=self._time_where)
        if not time.is_clock:
            cells = piece.cells[self._matches["time"].heading.index]
            row = int(piece.lines[cells.text_example[0]])
            self._note(check_text(cells, where=self._time_where, line=row))
        self._note(*time.notes, *line.notes)

    def _empty_at_first(self, part: PartColumns) -> dict[str, Cells]:
        """Return the later values of columns that are uninformative in the first part.

        A channel that is blank at first and logged later must be present from the start; one that
        stays blank must be left out. Only the rest of the file shows which it is, so these columns
        are read once more.
        """
        empty = {
            name: match
            for name, match in self._matches.items()
            if name != "time" and _is_uninformative(match, part)
        }
        if self.is_whole or not empty:
            return {}
        with Source(self._source.path) as again:
            parts = open_parts(again, wanted=self._headers, rows=self._rows_of_part)
            with closing(parts.pieces(wanted_of(empty))) as pieces:
                return _values_behind_first(pieces, empty, self._setup)

    def _convert(self, piece: Piece, time: TimeReader, line: Timeline) -> pd.DataFrame:
        """Convert a part by the units found in the first, and count it."""
        part = PartColumns(self._setup, self._name, piece)
        for name, running in self._running.items():
            match = running.column.match
            cells = apply_sensor(match, piece.cells[match.heading.index])
            part.columns[name] = replace(running.column, numbers=running.add(cells, piece.lines))
        self._barometer_kpa = apply_barometer(part, self._barometer_kpa)
        self._note(*part.notes)
        samples = samples_of(part, line.seconds)
        is_first = not self._counts.rows
        self._counts.add(part, line, samples)
        if not time.is_clock:
            cells = piece.cells[self._matches["time"].heading.index]
            numbers = int(np.isfinite(cells.numbers).sum())
            self._counts.time_texts.add(cells, piece.lines, numbers)
        if is_first:
            self._time = time
            nothing = np.empty(0)
            self._columns = {n: replace(c, numbers=nothing) for n, c in part.columns.items()}
            self._left_out_in_first = {
                name: running.left_out for name, running in self._running.items()
            }
            self._check_filled(MIN_FILLED_SHARE if self.is_whole else 0.0)
        return samples

    def _note(self, *notes: str) -> None:
        self._notes.update(dict.fromkeys(note for note in notes if note))

    def _check_filled(self, share: float) -> None:
        """Refuse a log whose needed channels are all but empty.

        Of a long log the first part needs a few values of each, whatever their share.
        """
        if self._setup is not None:
            rows, ranges = self._counts.rows, self._counts.ranges
            filled = {name: rows - found.blank for name, found in ranges.items()}
            check_filled(
                self._columns, self._headings, filled, rows=rows, name=self._name, share=share
            )

    def check(self) -> None:
        """Make the checks of a short log on a long log as a whole.

        Raises
        ------
        LogError
            When a needed channel is all but empty, a column's unit does not fit its values, too
            many of its cells are text or impossible, or time falls too often.
        """
        if self.is_whole:
            return
        counts = self._counts
        counts.time_texts.check(self._time_where)
        stamps = counts.rows - counts.dropped_time["no time stamp"]
        refuse_falling(counts.dropped_time["time stepped back"], stamps, self._time_where)
        for running in self._running.values():
            try:
                running.check(self._setup, self._name)
            except LogError as error:
                if not may_leave_out(running.column.match, error, self._setup):
                    raise
                self._note(f"{error.without(self._name)} It is in doubt.")
        self._check_filled(MIN_FILLED_SHARE)

    def log(self) -> Log:
        """Return the log without its samples."""
        counts = self._counts
        for name, running in self._running.items():
            self._note(*running.notes_since(self._left_out_in_first[name]))
        return Log(
            name=self._name,
            path=self._source.path,
            sha256=self._source.sha256(),
            samples=counts.no_samples,
            columns=self._reports(),
            dropped=(*counts.dropped.items(), *counts.dropped_time.items()),
            notes=tuple(dict.fromkeys(one_line(note) for note in self._notes)),
            rows_read=counts.rows + sum(counts.dropped.values()),
            dialect=self._parts.dialect,
            preamble=self._parts.preamble,
            rows_kept=counts.kept,
            span_s=counts.last_s - counts.first_s,
            step_s=counts.step_s,
        )

    def _reports(self) -> tuple[ColumnReport, ...]:
        """Report every column in the file's order; one that serves two channels comes twice."""
        match, counts = self._matches["time"], self._counts
        uses = {
            match.heading.index: [
                ColumnReport(
                    match.heading.text,
                    "time",
                    self._time.unit,
                    "s",
                    match.how,
                    self._time.unit_how,
                    counts.blank_times,
                    counts.first_s,
                    counts.last_s,
                )
            ]
        }
        for name, column in self._columns.items():
            match, found = column.match, counts.ranges[name]
            units = (match.unit or "", column.unit_inside, match.how, match.unit_how)
            report = ColumnReport(
                match.heading.text, name, *units, found.blank, found.low, found.high
            )
            uses.setdefault(match.heading.index, []).append(report)
        return tuple(
            report
            for h in self._headings
            for report in uses.get(h.index, [ColumnReport(h.text, None)])
        )


class _Counts:
    """What the parts of a log add up to."""

    def __init__(self) -> None:
        self.rows = self.kept = self.blank_times = 0
        self.dropped: Counter[str] = Counter()
        self.dropped_time: Counter[str] = Counter()
        self.time_texts = TextCount()
        self.ranges: dict[str, _Range] = {}
        self.first_s = self.last_s = self.step_s = float("nan")
        self.no_samples = pd.DataFrame()

    def add(self, part: PartColumns, line: Timeline, samples: pd.DataFrame) -> None:
        """Add a part."""
        is_first = not self.rows
        self.rows += len(part.lines)
        check_row_count(self.rows, name=part.name)
        self.dropped.update(dict(part.piece.dropped))
        self.dropped_time.update(dict(line.dropped))
        self.blank_times += sum(count for _, count in line.dropped)
        self.kept += len(samples)
        for name, column in part.columns.items():
            self.ranges.setdefault(name, _Range()).add(column.numbers)
        time_s = samples["time_s"].to_numpy(dtype=float)
        if is_first:
            steps = np.diff(time_s)
            self.step_s = float(np.median(steps)) if len(steps) else float("nan")
            self.first_s, self.no_samples = float(time_s[0]), samples.iloc[:0].copy()
        if len(time_s):
            self.last_s = float(time_s[-1])


@dataclass
class _Range:
    """Blanks, lowest and highest value of a column."""

    blank: int = 0
    low: float = float("nan")
    high: float = float("nan")

    def add(self, values: Floats) -> None:
        low, high = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
        self.low, self.high = float(np.fmin(self.low, low)), float(np.fmax(self.high, high))
        if not np.isfinite(values.sum()):
            self.blank += int((~np.isfinite(values)).sum())


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
        from tuneassist.reading.mdf.parts import MdfParts

        return MdfParts(source, wanted=wanted, rows=rows)
    from tuneassist.reading.columnar import ColumnarParts

    return ColumnarParts(source, wanted=wanted, rows=rows)


def wanted_of(matches: Mapping[str, Match]) -> Wanted:
    """Return what a reader must fetch for these columns."""
    at = {name: match.heading.index for name, match in matches.items()}
    main = frozenset(at[name] for name in ("rpm", "load", "lambda") if name in at)
    return Wanted(
        tuple(sorted(set(at.values()))),
        frozenset(
            at[name]
            for name, match in matches.items()
            if match.source and match.source.raw is not None
        ),
        main,
        {
            at[name]: -1 if is_falling(match) else 1
            for name, match in matches.items()
            if CHANNELS[name].keeps_peak and at[name] not in main
        },
    )


def _add_column(part: PartColumns, match: Match, later: Cells | None) -> None:
    """Add a column; one that is in doubt is left out with a note where nothing hangs on it.

    Of one that tells nothing here the unit is found by what it holds ``later``, behind this part.
    """
    match = _with_shared_unit(part, match)
    raw = part.piece.cells[match.heading.index]
    cells = apply_sensor(match, raw)
    row = int(part.lines[cells.text_example[0]])
    try:
        where = f"{part.name}, column {match.heading.text!r}"
        check_readings(match, raw, cells, where=where)
        column = build_column(
            match, later or cells, setup=part.setup, name=part.name, first_text_line=row
        )
    except LogError as error:
        if may_leave_out(match, error, part.setup):
            part.notes.append(left_out(error, part.name))
            return
        if match.how == "header":
            raise or_unread(error, match.channel, part.setup) from error
        raise
    said = sensor_note(match, cells)
    part.notes.extend([said, *column.notes] if said else column.notes)
    if later:
        column = replace(column, numbers=extend_column(column, cells.numbers)[0])
    if later or np.isfinite(column.numbers).any():
        part.columns[match.channel] = column
    else:
        part.notes.append(f"Column {match.heading.text!r} holds no numbers; it was left out.")


def _with_shared_unit(part: PartColumns, match: Match) -> Match:
    """Give a column that already serves another channel the unit found there."""
    for column in part.columns.values():
        if match.unit is None and column.match.heading.index == match.heading.index:
            return replace(match, unit=column.match.unit, unit_how=column.match.unit_how)
    return match


def _is_uninformative(match: Match, part: PartColumns) -> bool:
    cells = part.piece.cells[match.heading.index]
    return not cells.text_count and not len(
        _informative(match, apply_sensor(match, cells).numbers, part.setup)
    )


def _informative(match: Match, numbers: Floats, setup: Setup | None) -> Floats:
    """Return the values that help to find a unit: any number; not zero if the unit is unknown."""
    given = numbers[np.isfinite(numbers)]
    if match.unit is None and quantity_of(match.channel, setup) != "temperature":
        given = given[given != 0]
    return np.asarray(given)


def _values_behind_first(
    pieces: Iterator[Piece], matches: Mapping[str, Match], setup: Setup | None
) -> dict[str, Cells]:
    """Look columns up behind the first part, until each has told enough or the log ends.

    Parameters
    ----------
    pieces
        The log from its start.
    matches
        Channel to its column, those that tell nothing in the first part.
    setup
        The car's setup.

    Returns
    -------
    dict
        Channel to values, in the match's unit; nothing for a column that never tells anything.
    """
    next(pieces)
    found: dict[str, list[Floats]] = {name: [] for name in matches}
    for piece in pieces:
        for name, values in found.items():
            match = matches[name]
            cells = apply_sensor(match, piece.cells[match.heading.index])
            values.append(_informative(match, cells.numbers, setup))
        if all(sum(map(len, values)) >= ENOUGH_VALUES for values in found.values()):
            break
    return {
        name: Cells(np.concatenate(values))
        for name, values in found.items()
        if any(map(len, values))
    }


def check_enough_rows(piece: Piece, name: str) -> None:
    """Refuse a log with too few rows."""
    if len(piece.lines) < MIN_ROWS:
        raise LogError(
            f"the log holds {len(piece.lines)} row(s) of data.",
            where=name,
            mend=f"At least {MIN_ROWS} are needed, and a hold takes several seconds.",
        )


def check_found(
    matches: Mapping[str, Match], headings: Sequence[Heading], setup: Setup | None, *, name: str
) -> None:
    """Refuse a log without the required channels."""
    missing = [] if "time" in matches else ["time"]
    if setup is not None:
        missing += [c for c in ("rpm", "load") if c not in matches]
        if not any(c in matches for c in ("lambda", *TRIMS)):
            missing.append("lambda")
    if missing:
        raise _missing(missing, headings, setup, name=name)
    if len(matches) == 1:
        raise LogError(
            "no column but time was recognised.", where=name, mend=_header_list(headings)
        )


def _missing(
    missing: Sequence[str], headings: Sequence[Heading], setup: Setup | None, *, name: str
) -> LogError:
    lines = "; ".join(setup_line(c, "...", _unit_for(c, setup)) for c in missing)
    return LogError(
        f"no column was found for {', '.join(missing)}.",
        where=name,
        mend=f"{_header_list(headings)} Name the right ones under [channels]: {lines}.",
    )


def _header_list(headings: Sequence[Heading]) -> str:
    return f"The log's columns: {listed([h.text for h in headings if h.text])}."


def _unit_for(channel: str, setup: Setup | None) -> str | None:
    if channel == "load":
        return setup.axes.load_unit if setup else None
    return CHANNELS[channel].unit


def check_filled(
    columns: Mapping[str, Column],
    headings: Sequence[Heading],
    filled: Mapping[str, int],
    *,
    rows: int,
    name: str,
    share: float = MIN_FILLED_SHARE,
) -> None:
    """Refuse a log whose required channels are nearly empty."""
    needed = ["rpm", "load"]
    if not any(trim in columns for trim in TRIMS):
        needed.append("lambda")
    for channel in needed:
        column = columns.get(channel)
        count = filled.get(channel, 0)
        if count < max(MIN_ROWS, share * rows):
            raise LogError(
                f"{channel} has a number in only {count} of {rows} rows.",
                where=f"{name}, column {column.match.heading.text!r}" if column else name,
                mend=f"Check the sensor, or name another column. {_header_list(headings)}",
            )
