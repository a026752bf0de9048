"""Read one log: file, table, columns, time, samples, in that order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from tuneassist.channels import CHANNELS
from tuneassist.errors import LogError
from tuneassist.reading.clock import Timeline, build_timeline
from tuneassist.reading.columns import Column, build_column
from tuneassist.reading.delimited import read_delimited
from tuneassist.reading.guard import check_text, setup_line
from tuneassist.reading.headers import Heading, read_heading
from tuneassist.reading.log import Cells, ColumnReport, Floats, Log, Progress, Table
from tuneassist.reading.picks import Pick, UnclearError, is_gauge_axis
from tuneassist.reading.plan import is_needed, plan_columns
from tuneassist.reading.source import open_source
from tuneassist.settings import Setup
from tuneassist.units import ATMOSPHERE_KPA, convert, unit_named

MIN_ROWS = 5
"""Fewer rows of data than this are no log. [rows]"""
MIN_FILLED_SHARE = 0.02
"""A channel that a proposal needs must have a number in at least this share of the rows. [1]"""
TRIMS = ("fuel_trim_short", "fuel_trim_long")


@dataclass(eq=False)
class _Work:
    """What has been read so far, for one log."""

    setup: Setup | None
    name: str
    table: Table
    columns: dict[str, Column] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


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
    say = progress or (lambda share: None)
    source = open_source(path)
    say(0.1)
    wanted = {entry.column for entry in setup.channels.values()} if setup else set()
    table = read_delimited(source, wanted=wanted)
    _check_rows(table, source.name)
    headings = [read_heading(i, text, unit) for i, (text, unit) in enumerate(table.headers)]
    plan = plan_columns(headings, setup, name=source.name)
    _check_found(plan.picks, headings, setup, name=source.name)
    say(0.2)
    cells = table.fetch(sorted({pick.heading.index for pick in plan.picks.values()}))
    say(0.6)
    work = _Work(setup, source.name, table, notes=[*table.notes, *plan.notes])
    timeline = _read_time(work, plan.picks["time"], cells[plan.picks["time"].heading.index])
    for place, pick in enumerate(plan.picks.values()):
        if pick.channel != "time":
            _read_column(work, pick, cells[pick.heading.index])
        say(0.6 + 0.35 * (place + 1) / len(plan.picks))
    _apply_barometer(work)
    _check_filled(work, headings)
    samples = _samples(work, timeline)
    say(1.0)
    lost = sum(count for _, count in table.dropped)
    return Log(
        name=source.name,
        path=source.path,
        sha256=source.sha256,
        samples=samples,
        columns=_reports(work, headings, plan.picks["time"], timeline, samples),
        dropped=(*table.dropped, *timeline.dropped),
        notes=tuple(dict.fromkeys(work.notes)),
        rows_read=len(table.lines) + lost,
        dialect=table.dialect,
    )


def _check_rows(table: Table, name: str) -> None:
    if len(table.lines) < MIN_ROWS:
        raise LogError(
            f"the log holds {len(table.lines)} row(s) of data.",
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
        note = check_text(cells, where=where, line=_text_line(work.table, cells))
        if note:
            work.notes.append(note)
    work.notes.extend(timeline.notes)
    return timeline


def _text_line(table: Table, cells: Cells) -> int:
    return int(table.lines[cells.text_example[0]])


def _read_column(work: _Work, pick: Pick, cells: Cells) -> None:
    """Add a column; one that is in doubt is left out with a note where nothing hangs on it."""
    line = _text_line(work.table, cells)
    pick = _same_unit(work, pick)
    try:
        column = build_column(pick, cells, setup=work.setup, name=work.name, first_text_line=line)
    except LogError as error:
        is_open = work.setup is None and isinstance(error, UnclearError)
        if is_open or (pick.how == "header" and not is_needed(pick.channel, work.setup)):
            work.notes.append(f"{error} It was left out.")
            return
        raise
    work.notes.extend(column.notes)
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


def _apply_barometer(work: _Work) -> None:
    """Bring gauge pressures to absolute and back, with the logged barometer where there is one."""
    logged = work.columns.get("barometer")
    fixed = work.setup.limits.barometer_kpa if work.setup else ATMOSPHERE_KPA
    pressure: Floats = np.full(len(work.table.lines), fixed)
    origin = f"a barometer of {fixed:g} kPa (none was logged)"
    if logged is not None:
        pressure = np.where(
            np.isfinite(logged.numbers), logged.numbers, np.nanmedian(logged.numbers)
        )
        origin = "the logged barometer"
    for name, column in list(work.columns.items()):
        if column.pick.shift:
            change = column.pick.shift * convert(pressure, "kPa", column.unit_inside)
            work.columns[name] = Column(
                column.pick, column.numbers + change, column.unit_inside, column.notes
            )
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
    if work.setup is None:
        return
    needed = ["rpm", "load"]
    if not any(trim in work.columns for trim in TRIMS):
        needed.append("lambda")
    rows = len(work.table.lines)
    for name in needed:
        column = work.columns.get(name)
        filled = int(np.isfinite(column.numbers).sum()) if column else 0
        if filled < max(MIN_ROWS, MIN_FILLED_SHARE * rows):
            raise LogError(
                f"{name} has a number in only {filled} of {rows} rows.",
                where=f"{work.name}, column {column.pick.heading.text!r}" if column else work.name,
                mend=f"Check the sensor, or name another column. {_header_list(headings)}",
            )


def _samples(work: _Work, timeline: Timeline) -> pd.DataFrame:
    columns: dict[str, object] = {"row": work.table.lines, "time_s": timeline.seconds}
    for name, channel in CHANNELS.items():
        if name in work.columns:
            columns[channel.column] = work.columns[name].numbers
    frame = pd.DataFrame(columns)
    return frame[timeline.is_usable].reset_index(drop=True)


def _reports(
    work: _Work,
    headings: Sequence[Heading],
    time_pick: Pick,
    timeline: Timeline,
    samples: pd.DataFrame,
) -> tuple[ColumnReport, ...]:
    """Report every column in the file's order; one that serves two channels comes twice."""
    uses: dict[int, list[ColumnReport]] = {}
    clock = ColumnReport(
        time_pick.heading.text,
        "time",
        timeline.unit,
        "s",
        time_pick.how,
        timeline.unit_how,
        int((~np.isfinite(timeline.seconds)).sum()),
        float(samples["time_s"].min()),
        float(samples["time_s"].max()),
    )
    uses[time_pick.heading.index] = [clock]
    for name, column in work.columns.items():
        pick, values = column.pick, column.numbers
        uses.setdefault(pick.heading.index, []).append(
            ColumnReport(
                pick.heading.text,
                name,
                pick.unit or "",
                column.unit_inside,
                pick.how,
                pick.unit_how,
                int((~np.isfinite(values)).sum()),
                float(np.nanmin(values)),
                float(np.nanmax(values)),
            )
        )
    return tuple(
        report for h in headings for report in uses.get(h.index, [ColumnReport(h.text, None)])
    )
