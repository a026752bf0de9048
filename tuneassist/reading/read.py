"""Read one log: file, table, columns, time, samples, in that order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.channels import CHANNELS
from tuneassist.errors import LogError
from tuneassist.reading.ahead import ReadAhead
from tuneassist.reading.clock import Timeline, build_timeline, extend_timeline
from tuneassist.reading.columns import Column, build_column, extend_column
from tuneassist.reading.delimited import DelimitedParts
from tuneassist.reading.guard import check_text, setup_line
from tuneassist.reading.headers import Heading, read_heading
from tuneassist.reading.log import (
    Cells,
    ColumnReport,
    Floats,
    Log,
    Parts,
    Piece,
    Progress,
    Wanted,
)
from tuneassist.reading.picks import Pick, UnclearError, is_gauge_axis
from tuneassist.reading.plan import is_needed, plan_columns
from tuneassist.reading.sensors import sensed, sensed_note
from tuneassist.reading.source import Source
from tuneassist.settings import Setup, SteadySettings
from tuneassist.units import ATMOSPHERE_KPA, convert, unit_named

MIN_ROWS = 5
"""Fewer rows of data than this are no log. [rows]"""
MIN_FILLED_SHARE = 0.02
"""A channel that a proposal needs must have a number in at least this share of the rows. [1]"""
TRIMS = ("fuel_trim_short", "fuel_trim_long")


FIRST_ROWS = SteadySettings().estimate_rows
"""Rows of the first part where no setup says otherwise. [rows]"""
_AHEAD = 4  # parts that are read ahead of their use


@dataclass(eq=False)
class _Work:
    """What has been read so far of one part of a log."""

    setup: Setup | None
    name: str
    piece: Piece
    columns: dict[str, Column] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    @property
    def lines(self) -> npt.NDArray[np.int64]:
        return self.piece.lines


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
        self._path, self._setup = Path(path), setup
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
            state = _FirstPart(source, self._setup, self._rows, self._say)
            tally = _Tally(state)
            if state.parts.is_whole:
                yield state.samples
            else:
                with ReadAhead(map(tally.add, state.further()), depth=_AHEAD) as ahead:
                    yield state.samples
                    for samples in ahead:
                        self._say(source.share)
                        if len(samples):
                            yield samples
            tally.check_filled()
            self._say(1.0)
            self._log = tally.log(source)


class _FirstPart:
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
        _check_found(plan.picks, self.headings, setup, name=source.name)
        say(0.2)
        self.picks = plan.picks
        self.wanted = _wanted(plan.picks)
        piece = self.parts.first(self.wanted)
        _check_rows(piece, source.name)
        say(0.6)
        work = _Work(setup, source.name, piece, notes=[*piece.notes, *plan.notes])
        time = plan.picks["time"]
        self.timeline = _read_time(work, time, piece.cells[time.heading.index])
        for place, pick in enumerate(plan.picks.values()):
            if pick.channel != "time":
                _read_column(work, pick, piece.cells[pick.heading.index])
            say(0.6 + 0.35 * (place + 1) / len(plan.picks))
        self.as_logged = dict(work.columns)
        _apply_barometer(work)
        if self.parts.is_whole:
            _check_filled(work, self.headings)
        self.work = work
        self.samples = _samples(work, self.timeline.seconds)

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
    return Wanted(
        tuple(sorted(set(at.values()))),
        frozenset(
            at[name] for name, pick in picks.items() if pick.source and pick.source.raw is not None
        ),
        frozenset(at[name] for name in ("rpm", "load", "lambda") if name in at),
    )


class _Tally:
    """Adds the further parts up."""

    def __init__(self, first: _FirstPart) -> None:
        self._first = first
        self._going_on = first.timeline.going_on
        self._rows = len(first.work.lines)
        self._dropped = Counter(dict(first.work.piece.dropped))
        self._dropped_time = Counter(dict(first.timeline.dropped))
        self._wrong: Counter[str] = Counter()
        self._texts: Counter[str] = Counter()
        self._kept = len(first.samples)
        self._blank_times = int((~np.isfinite(first.timeline.seconds)).sum())
        self._ends = [float(v) for v in first.samples["time_s"].iloc[[0, -1]]]
        steps = np.diff(first.samples["time_s"].to_numpy(dtype=float))
        self._step_s = float(np.median(steps)) if len(steps) else float("nan")
        self._ranges = {name: _Range.of(c.numbers) for name, c in first.work.columns.items()}

    def add(self, piece: Piece) -> pd.DataFrame:
        """Convert a further part and count it; returns its samples."""
        first = self._first
        self._rows += len(piece.lines)
        self._dropped.update(dict(piece.dropped))
        pick = first.picks["time"]
        seconds, dropped, self._going_on = extend_timeline(
            piece.cells[pick.heading.index],
            self._going_on,
            where=f"{first.name}, column {pick.heading.text!r}",
        )
        self._dropped_time.update(dict(dropped))
        self._blank_times += sum(count for _, count in dropped)
        work = _Work(first.setup, first.name, piece)
        for name, column in first.as_logged.items():
            cells = sensed(column.pick, piece.cells[column.pick.heading.index])
            values, wrong = extend_column(column, cells.numbers)
            self._wrong[column.pick.heading.text] += wrong
            self._texts[column.pick.heading.text] += cells.text_count
            work.columns[name] = replace(column, numbers=values)
        _apply_barometer(work, usual=first.as_logged.get("barometer"))
        for name, column in work.columns.items():
            self._ranges[name].add(column.numbers)
        samples = _samples(work, seconds)
        self._kept += len(samples)
        if len(samples):
            self._ends[1] = float(samples["time_s"].iloc[-1])
        return samples

    def check_filled(self) -> None:
        """Refuse a log whose needed channels are all but empty, over all its rows."""
        first = self._first
        if not first.parts.is_whole:
            filled = {name: self._rows - found.blank for name, found in self._ranges.items()}
            _check_counts(first.work, first.headings, filled, self._rows)

    def log(self, source: Source) -> Log:
        """Return the log without its samples."""
        first = self._first
        lost = sum(self._dropped.values())
        notes = [*first.work.notes]
        for why, counts in (("impossible value(s)", self._wrong), ("cell(s) of text", self._texts)):
            notes += [
                f"Column {header!r}: behind the first part, {count} {why} were left out."
                for header, count in counts.items()
                if count
            ]
        return Log(
            name=first.name,
            path=first.path,
            sha256=source.sha256(),
            samples=first.samples.iloc[:0],
            columns=_reports(first, self._ranges, self._blank_times, self._ends),
            dropped=(*self._dropped.items(), *self._dropped_time.items()),
            notes=tuple(dict.fromkeys(notes)),
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


def _check_rows(piece: Piece, name: str) -> None:
    if len(piece.lines) < MIN_ROWS:
        raise LogError(
            f"the log holds {len(piece.lines)} row(s) of data.",
            where=name,
            mend=f"At least {MIN_ROWS} are needed, and a hold takes several seconds.",
        )


def _check_found(
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
    texts = [repr(h.text) for h in headings if h.text]
    more = f" and {len(texts) - 40} more" if len(texts) > 40 else ""
    return f"The log's columns: {', '.join(texts[:40])}{more}."


def _unit_for(channel: str, setup: Setup | None) -> str | None:
    if channel == "load":
        return setup.axes.load_unit if setup else None
    return CHANNELS[channel].unit


def _read_time(work: _Work, pick: Pick, cells: Cells) -> Timeline:
    where = f"{work.name}, column {pick.heading.text!r}"
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


def _text_line(work: _Work, cells: Cells) -> int:
    return int(work.lines[cells.text_example[0]])


def _read_column(work: _Work, pick: Pick, cells: Cells) -> None:
    """Add a column; one that is in doubt is left out with a note where nothing hangs on it."""
    line = _text_line(work, cells)
    pick = _same_unit(work, pick)
    cells = sensed(pick, cells)
    try:
        column = build_column(pick, cells, setup=work.setup, name=work.name, first_text_line=line)
    except LogError as error:
        is_open = work.setup is None and isinstance(error, UnclearError)
        if is_open or (pick.how == "header" and not is_needed(pick.channel, work.setup)):
            work.notes.append(f"{error} It was left out.")
            return
        raise
    said = sensed_note(pick)
    work.notes.extend([said, *column.notes] if said else column.notes)
    if np.isfinite(column.numbers).any():
        work.columns[pick.channel] = column
    else:
        work.notes.append(f"Column {pick.heading.text!r} holds no numbers; it was left out.")


def _same_unit(work: _Work, pick: Pick) -> Pick:
    """Give a column that already serves another channel the unit that was settled there."""
    for column in work.columns.values():
        if pick.unit is None and column.pick.heading.index == pick.heading.index:
            return replace(pick, unit=column.pick.unit, unit_how=column.pick.unit_how)
    return pick


def _apply_barometer(work: _Work, usual: Column | None = None) -> None:
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


def _add_manifold_pressure(work: _Work, barometer: Floats, origin: str) -> None:
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


def _check_filled(work: _Work, headings: Sequence[Heading]) -> None:
    """Refuse a log whose needed channels are all but empty."""
    filled = {name: int(np.isfinite(c.numbers).sum()) for name, c in work.columns.items()}
    _check_counts(work, headings, filled, len(work.lines))


def _check_counts(
    work: _Work, headings: Sequence[Heading], filled: Mapping[str, int], rows: int
) -> None:
    if work.setup is None:
        return
    needed = ["rpm", "load"]
    if not any(trim in work.columns for trim in TRIMS):
        needed.append("lambda")
    for name in needed:
        column = work.columns.get(name)
        count = filled.get(name, 0)
        if count < max(MIN_ROWS, MIN_FILLED_SHARE * rows):
            raise LogError(
                f"{name} has a number in only {count} of {rows} rows.",
                where=f"{work.name}, column {column.pick.heading.text!r}" if column else work.name,
                mend=f"Check the sensor, or name another column. {_header_list(headings)}",
            )


def _samples(work: _Work, seconds: Floats) -> pd.DataFrame:
    columns: dict[str, object] = {"row": work.lines, "time_s": seconds}
    for name, channel in CHANNELS.items():
        if name in work.columns:
            columns[channel.column] = work.columns[name].numbers
    is_usable = np.isfinite(seconds)
    frame = pd.DataFrame(columns, copy=False)
    return frame if is_usable.all() else frame[is_usable].reset_index(drop=True)


def _reports(
    first: _FirstPart, ranges: Mapping[str, _Range], blank_times: int, ends: Sequence[float]
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
