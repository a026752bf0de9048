"""Read one log: file, table, columns, time, samples, in that order, part by part."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence, Set
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from tuneassist.arguments import file_path, of_kind
from tuneassist.channels import CHANNELS
from tuneassist.errors import LogError, SetupError
from tuneassist.inert import told
from tuneassist.reading.columns import (
    BEYOND_WORDS,
    Column,
    PartWork,
    Texts,
    Watch,
    apply_barometer,
    build_column,
    check_gauges,
    check_readings,
    extend_column,
    falls,
    samples_of,
    sensed,
    sensed_note,
)
from tuneassist.reading.delimited import DelimitedParts
from tuneassist.reading.headers import Heading, read_heading
from tuneassist.reading.log import Cells, ColumnReport, Floats, Log, Parts, Piece, Progress, Wanted
from tuneassist.reading.matching import (
    Pick,
    UnclearError,
    is_needed,
    left_out,
    listed,
    or_unread,
    plan_columns,
    quantity_of,
    setup_line,
)
from tuneassist.reading.source import ReadAhead, Source, check_row_count
from tuneassist.reading.timeline import (
    Timeline,
    build_timeline,
    extend_timeline,
    head_of,
    refuse_falling,
)
from tuneassist.reading.unit_checks import check_text, check_time_header
from tuneassist.settings import READ_SETUP, Setup, SteadySettings

FIRST_ROWS = SteadySettings().estimate_rows
"""Rows of the first part where no setup says otherwise. [rows]"""
MOST_AHEAD, AHEAD_VALUES = 12, 2_000_000
"""Parts that are read ahead of their use: at most so many, and no more than hold so many values
(16 MB). [1]"""


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
        self._say = progress or (lambda share: None)
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
            state = FirstPart(source, self._setup, self._rows, self._say)
            tally = Tally(state)
            if state.is_whole:
                yield state.samples
            else:
                depth = min(MOST_AHEAD, AHEAD_VALUES // max(1, state.samples.size))
                pieces = map(tally.add, state.further())
                with closing(state), ReadAhead(pieces, depth=max(2, depth)) as ahead:
                    yield state.samples
                    for samples in ahead:
                        self._say(source.share)
                        if len(samples):
                            yield samples
            tally.check()
            self._say(1.0)
            self._log = tally.log(source)


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
        check_enough_rows(piece, source.name)
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
        from tuneassist.reading.mdf.parts import MdfParts

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


class Tally:
    """Adds the further parts up."""

    def __init__(self, first: FirstPart) -> None:
        self._first = first
        self._going_on = first.timeline.going_on
        self._rows = len(first.work.lines)
        self._dropped = Counter(dict(first.work.piece.dropped))
        self._dropped_time = Counter(dict(first.timeline.dropped))
        self._watches = {name: Watch(column) for name, column in first.as_logged.items()}
        self._time_texts = Texts()
        if not first.is_whole:
            self._count_times(first.work.piece)
            for name in self._watches:
                self._watched(name, first.work.piece)
        self._said = {name: (w.wrong, w.texts.count, w.beyond) for name, w in self._watches.items()}
        self._barometer_kpa = first.barometer_kpa
        self._kept = len(first.samples)
        self._blank_times = int((~np.isfinite(first.timeline.seconds)).sum())
        self._ends = [float(v) for v in first.samples["time_s"].iloc[[0, -1]]]
        steps = np.diff(first.samples["time_s"].to_numpy(dtype=float))
        self._step_s = float(np.median(steps)) if len(steps) else float("nan")
        self._ranges = {name: _Range.of(c.numbers) for name, c in first.work.columns.items()}

    def add(self, pieces: tuple[Piece, Piece | None]) -> pd.DataFrame:
        """Convert a further part and count it, given the one that follows; returns its samples."""
        piece, following = pieces
        first = self._first
        self._rows += len(piece.lines)
        check_row_count(self._rows, name=first.name)
        self._dropped.update(dict(piece.dropped))
        time = first.picks["time"].heading.index
        seconds, dropped, self._going_on = extend_timeline(
            piece.cells[time],
            self._going_on,
            where=first.time_where,
            ahead=head_of(following.cells[time]) if following else None,
        )
        self._count_times(piece)
        self._dropped_time.update(dict(dropped))
        self._blank_times += sum(count for _, count in dropped)
        work = PartWork(first.setup, first.name, piece)
        for name, column in first.as_logged.items():
            work.columns[name] = replace(column, numbers=self._watched(name, piece))
        self._barometer_kpa = apply_barometer(work, self._barometer_kpa)
        for name, column in work.columns.items():
            self._ranges[name].add(column.numbers)
        samples = samples_of(work, seconds)
        self._kept += len(samples)
        if len(samples):
            self._ends[1] = float(samples["time_s"].iloc[-1])
        return samples

    def _count_times(self, piece: Piece) -> None:
        """Count times that are text where they should be numbers."""
        if not self._first.timeline.is_clock:
            cells = piece.cells[self._first.picks["time"].heading.index]
            self._time_texts.add(cells, piece.lines, int(np.isfinite(cells.numbers).sum()))

    def _watched(self, name: str, piece: Piece) -> Floats:
        pick = self._first.as_logged[name].pick
        cells = sensed(pick, piece.cells[pick.heading.index])
        return self._watches[name].add(cells, piece.lines)

    def check(self) -> None:
        """Hold a long log as a whole against what a short one is held against.

        Raises
        ------
        LogError
            When a needed channel is all but empty, a column's unit does not fit its values, too
            many of its cells are text or impossible, or time falls too often.
        """
        first = self._first
        if first.is_whole:
            return
        self._time_texts.check(first.time_where)
        stamps = self._rows - self._dropped_time["no time stamp"]
        refuse_falling(self._dropped_time["time stepped back"], stamps, first.time_where)
        for name, watch in self._watches.items():
            try:
                watch.check(first.setup, first.name)
            except LogError as error:
                if not may_leave_out(first.as_logged[name].pick, error, first.setup):
                    raise
                first.work.notes.append(f"{error.without(first.name)} It is in doubt.")
        filled = {name: self._rows - found.blank for name, found in self._ranges.items()}
        first.check_filled(filled, self._rows, is_all=True)

    def log(self, source: Source) -> Log:
        """Return the log without its samples."""
        first = self._first
        lost = sum(self._dropped.values())
        notes = [*first.work.notes]
        for name, watch in self._watches.items():
            header = first.as_logged[name].pick.heading.text
            wrong, texts, beyond = self._said[name]
            counts = {
                "impossible value(s) were left out.": watch.wrong - wrong,
                "cell(s) of text were left out.": watch.texts.count - texts,
                BEYOND_WORDS: watch.beyond - beyond,
            }
            notes += [
                f"Column {header!r}: behind the first part, {count} {why}"
                for why, count in counts.items()
                if count
            ]
        return Log(
            name=first.name,
            path=first.path,
            sha256=source.sha256(),
            samples=first.samples.iloc[:0],
            columns=_reports(first, self._ranges, self._blank_times, self._ends),
            dropped=(*self._dropped.items(), *self._dropped_time.items()),
            notes=tuple(dict.fromkeys(told(note) for note in notes)),
            rows_read=self._rows + lost,
            dialect=first.parts.dialect,
            preamble=first.parts.preamble,
            rows_kept=self._kept,
            span_s=self._ends[1] - self._ends[0],
            step_s=self._step_s,
        )


@dataclass
class _Range:
    """Blanks, lowest and highest value of a column."""

    blank: int
    low: float
    high: float

    @classmethod
    def of(cls, values: Floats) -> _Range:
        made = cls(0, float("nan"), float("nan"))
        made.add(values)
        return made

    def add(self, values: Floats) -> None:
        low, high = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
        self.low, self.high = float(np.fmin(self.low, low)), float(np.fmax(self.high, high))
        if not np.isfinite(values.sum()):
            self.blank += int((~np.isfinite(values)).sum())


def _reports(
    first: FirstPart, ranges: Mapping[str, _Range], blank_times: int, ends: Sequence[float]
) -> tuple[ColumnReport, ...]:
    """Report every column in the file's order; one that serves two channels comes twice."""
    uses: dict[int, list[ColumnReport]] = {}
    pick, timeline = first.picks["time"], first.timeline
    uses[pick.heading.index] = [
        ColumnReport(
            pick.heading.text,
            "time",
            timeline.unit,
            "s",
            pick.how,
            timeline.unit_how,
            blank_times,
            ends[0],
            ends[1],
        )
    ]
    for name, column in first.work.columns.items():
        pick, found = column.pick, ranges[name]
        uses.setdefault(pick.heading.index, []).append(
            ColumnReport(
                pick.heading.text,
                name,
                pick.unit or "",
                column.unit_inside,
                pick.how,
                pick.unit_how,
                found.blank,
                found.low,
                found.high,
            )
        )
    return tuple(
        report for h in first.headings for report in uses.get(h.index, [ColumnReport(h.text, None)])
    )


MIN_ROWS = 5
"""Fewer rows of data than this are no log. [rows]"""
MIN_FILLED_SHARE = 0.02
"""A channel that a proposal needs must have a number in at least this share of the rows. [1]"""
TRIMS = ("fuel_trim_short", "fuel_trim_long")


def check_enough_rows(piece: Piece, name: str) -> None:
    """Refuse a log of hardly a row."""
    if len(piece.lines) < MIN_ROWS:
        raise LogError(
            f"the log holds {len(piece.lines)} row(s) of data.",
            where=name,
            mend=f"At least {MIN_ROWS} are needed, and a hold takes several seconds.",
        )


def check_found(
    picks: Mapping[str, Pick], headings: Sequence[Heading], setup: Setup | None, *, name: str
) -> None:
    """Refuse a log without the channels that everything stands on."""
    missing = [] if "time" in picks else ["time"]
    if setup is not None:
        missing += [c for c in ("rpm", "load") if c not in picks]
        if not any(c in picks for c in ("lambda", *TRIMS)):
            missing.append("lambda")
    if missing:
        raise _missing(missing, headings, setup, name=name)
    if len(picks) == 1:
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
    """Refuse a log whose needed channels are all but empty, given how many cells are not."""
    needed = ["rpm", "load"]
    if not any(trim in columns for trim in TRIMS):
        needed.append("lambda")
    for channel in needed:
        column = columns.get(channel)
        count = filled.get(channel, 0)
        if count < max(MIN_ROWS, share * rows):
            raise LogError(
                f"{channel} has a number in only {count} of {rows} rows.",
                where=f"{name}, column {column.pick.heading.text!r}" if column else name,
                mend=f"Check the sensor, or name another column. {_header_list(headings)}",
            )


_ENOUGH = 1000  # values by which a unit is judged


def tells(pick: Pick, numbers: Floats, setup: Setup | None) -> Floats:
    """Return the values that say something of a column: any number, without a unit not zero."""
    given = numbers[np.isfinite(numbers)]
    if pick.unit is None and quantity_of(pick.channel, setup) != "temperature":
        given = given[given != 0]
    return np.asarray(given)


def values_behind(
    parts: Parts,
    wanted: Callable[[Mapping[str, Pick]], Wanted],
    picks: Mapping[str, Pick],
    setup: Setup | None,
) -> dict[str, Cells]:
    """Look columns up behind the first part, until each has told enough or the log ends.

    Parameters
    ----------
    parts
        The log, open at its start.
    wanted
        Makes the reader's order out of picks.
    picks
        Channel to its column, those that tell nothing in the first part.
    setup
        The car's setup.

    Returns
    -------
    dict
        Channel to values, in the pick's unit; nothing for a column that never tells anything.
    """
    order = wanted(picks)
    parts.first(order)
    found: dict[str, list[Floats]] = {name: [] for name in picks}
    for piece in parts.more(order):
        for name, values in found.items():
            pick = picks[name]
            cells = sensed(pick, piece.cells[pick.heading.index])
            values.append(tells(pick, cells.numbers, setup))
        if all(sum(map(len, values)) >= _ENOUGH for values in found.values()):
            break
    return {
        name: Cells(np.concatenate(values))
        for name, values in found.items()
        if any(map(len, values))
    }
