"""The screen of `check`: how a log was read and, with a setup, what evidence it gives."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from tuneassist.channels import CHANNELS
from tuneassist.evidence.log_taught import LogTaught
from tuneassist.inert import NAME_LENGTH, clipped, listed
from tuneassist.loop.verdict import VerdictWord
from tuneassist.own_units import mixture, mixture_unit, units_before
from tuneassist.pipeline import LogEvidence
from tuneassist.reading import ColumnReport, Log
from tuneassist.settings import Setup
from tuneassist.show.display import Display, counted, dim, plain, title
from tuneassist.show.log_summary import (
    JSON_NAMES,
    bullets,
    facts_table,
    log_facts,
    log_facts_table,
    moving_used,
    sample_shares_table,
)
from tuneassist.show.taught import minutes_in_words, taught_facts, taught_record
from tuneassist.show.verdict import verdict_line
from tuneassist.units import UNITS, VACUUM, convert

HOW_WORDS = {"setup": "named in the setup", "header": "by its header", "": ""}
UNIT_WORDS = {
    "setup": "named in the setup",
    "header": "stands in the header",
    "values": "the only one that fits the values",
    "inside": "",
    "": "",
}
PRESSURE_REFERENCE = {"manifold_pressure": "absolute", "boost": "gauge"}
"""Reference of each pressure in the internal unit."""
NOT_TOLD = (
    "With --setup also: where the samples went, how late lambda is, its drift, what quick changes "
    "do to it, and how many minutes are usable."
)
_FORMATS = {"parquet": "Parquet", "arrow": "Arrow", "stream": "Arrow stream", "mdf": "MDF"}
_DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", " ": "spaces", "|": "vertical bars"}


def check_screen(
    log: Log,
    found: LogEvidence | None,
    *,
    setup: Setup | None,
    display: Display,
    is_simulated: bool,
    taught: LogTaught | None = None,
) -> RenderableType:
    """Return one log's screen.

    Parameters
    ----------
    log
        As read.
    found
        Its evidence; None without a setup.
    setup
        The setup, for units and thresholds.
    display
        Width and marks.
    is_simulated
        Whether the log is marked as simulated.
    taught
        What the log teaches by itself; None without a setup.
    """
    parts: list[RenderableType] = [
        _opening(log, found, taught),
        *([Text(" SIMULATED DATA ", style="bold reverse")] if is_simulated else []),
        dim(file_words(log)),
        title("Columns"),
        columns_table(log, setup),
        dim(_not_used(log)),
        title("Rows"),
        bullets(row_words(log)),
    ]
    if log.notes:
        parts += [title("Converted, repaired, assumed"), bullets(log.notes)]
    if found is not None and setup is not None:
        parts += [title("Where the samples went"), sample_shares_table(found.fates, display)]
        parts.append(moving_used())
        parts += [title("Found in this log"), log_facts_table(found, setup)]
        if taught is not None:
            parts += [title("What this log tells"), facts_table(taught_facts(taught).values())]
        if found.notes:
            parts += [title("Notes and doubts"), bullets(found.notes)]
    else:
        parts += [Text(), dim(f"  {NOT_TOLD}")]
    return Group(*parts, Text())


def _opening(log: Log, found: LogEvidence | None, taught: LogTaught | None) -> RenderableType:
    """Return the verdict on one log: whether it can be used, and what it is worth."""
    if found is None:
        known = sum(column.channel is not None for column in log.columns)
        words = f"{known} of {counted(len(log.columns), 'column')} recognised"
        return verdict_line("GO ON", f"{plain(log.name)}: read, {words}.")
    worth = f", {minutes_in_words(taught)}" if taught is not None else ""
    word: VerdictWord = "CHECK" if found.notes or found.holds.empty else "GO ON"
    return verdict_line(word, f"{plain(log.name)}: {counted(len(found.holds), 'hold')}{worth}.")


def setup_notes_section(notes: Sequence[str]) -> RenderableType:
    """Return the notes on the setup itself."""
    return Group(title("Rules and target"), bullets(notes, mark="!"), Text())


def proposal_doubts_section(doubts: Sequence[str]) -> RenderableType:
    """Return the doubts that a proposal from all these logs would report."""
    return Group(
        title("Doubts about a proposal from these logs"), bullets(doubts, mark="!"), Text()
    )


def file_words(log: Log) -> str:
    """Describe the format of the file."""
    dialect = log.dialect
    if not dialect.delimiter and dialect.header_line == 0:  # not a text file
        return f"{_FORMATS.get(dialect.encoding, dialect.encoding)} table"
    between = _DELIMITERS.get(dialect.delimiter, repr(dialect.delimiter))
    mark = "comma" if dialect.decimal == "," else "point"
    return (
        f"{dialect.encoding or 'text'}, separated by {between}, decimal {mark}; "
        f"header on line {dialect.header_line}, data from line {dialect.data_line}"
    )


def columns_table(log: Log, setup: Setup | None) -> RenderableType:
    """Show for every recognised column its channel, unit, blanks and range."""
    table = Table(box=None, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column("column", overflow="fold", ratio=1, min_width=14)
    table.add_column("channel", no_wrap=True)
    table.add_column("unit", overflow="fold")
    table.add_column("found by", overflow="fold")
    table.add_column("blank", justify="right", no_wrap=True)
    table.add_column("range", overflow="fold")
    for column in log.columns:
        if column.channel is not None:
            table.add_row(
                Text(_header(column)),
                Text(column.channel),
                Text(_unit_words(column)),
                Text(column.how),
                Text(f"{column.blank:,}" if column.blank else "-"),
                Text(range_words(column, setup)),
            )
    return table


def _unit_words(column: ColumnReport) -> str:
    """Name the unit as read."""
    return f"{column.unit or '-'}{' (fits values)' if column.unit_how == 'values' else ''}"


def range_words(column: ColumnReport, setup: Setup | None) -> str:
    """Return the range of a column: lambda in the unit of the setup's target, others as logged."""
    if not np.isfinite(column.low):
        return "no numbers"
    if column.channel in ("lambda", "lambda_target"):
        word = mixture_unit(setup)
        low, high = (mixture(v, setup).replace(word, "").strip() for v in (column.low, column.high))
        return f"{low} to {high} {word}"
    reference = PRESSURE_REFERENCE.get(str(column.channel), "")
    inside = f"{column.unit_inside} {reference}".strip()
    wanted = (
        column.unit.removesuffix(VACUUM)
        if _is_one_quantity(column.unit, column.unit_inside)
        else ""
    )
    units = units_before(setup, wanted)
    unit = units.word(inside)
    ends = units.values([column.low, column.high], inside)
    if unit == inside and wanted:
        unit = f"{wanted} {reference}".strip()
        ends = convert(ends, column.unit_inside, wanted)
    low, high = (_number(end) for end in ends)
    return f"{low} to {high} {'' if unit == '1' else unit}".strip()


def _is_one_quantity(unit: str, other: str) -> bool:
    known = [UNITS.get(word) for word in (unit, other)]
    quantities = {one.quantity for one in known if one is not None}
    return None not in known and len(quantities) == 1


def _number(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:z.4g}"


def _not_used(log: Log) -> str:
    names = [_header(column) or "(no header)" for column in log.columns if not column.channel]
    if not names:
        return "  Every column was recognised."
    return f"  Not recognised, not used: {listed(names)}."


def _header(column: ColumnReport) -> str:
    return plain(clipped(column.header, NAME_LENGTH))


def row_words(log: Log) -> tuple[str, ...]:
    """Describe how many rows were read, kept and dropped, and their time span."""
    kept = (
        f"{counted(log.rows_read, 'row')} read, {log.rows_kept:,} kept: {log.span_s:.1f} s at "
        f"{log.step_s:.3g} s a row"
    )
    lost = tuple(f"{counted(count, 'row')} dropped: {reason}" for reason, count in log.dropped)
    return (kept, *lost) if lost else (kept, "none dropped")


def check_record(
    log: Log,
    found: LogEvidence | None,
    *,
    setup: Setup | None,
    is_simulated: bool,
    taught: LogTaught | None = None,
) -> dict[str, object]:
    """Return the same as plain values."""
    record: dict[str, object] = {
        "name": log.name,
        "sha256": log.sha256,
        "dialect": log.dialect,
        "rows_read": log.rows_read,
        "rows_kept": log.rows_kept,
        "rows_dropped": dict(log.dropped),
        "columns": [column_record(column) for column in log.columns],
        "notes": list(log.notes),
    }
    if is_simulated:
        record["simulated"] = True
    if found is not None and setup is not None:
        record["evidence"] = evidence_record(found)
        record["words"] = {JSON_NAMES[name]: text for name, text in log_facts(found, setup)}
        record["holds"] = found.holds.drop(columns="log").to_dict("records")
    if taught is not None:
        record["taught"] = taught_record(taught)
    return record


def column_record(column: ColumnReport) -> dict[str, object]:
    """Return one column's report as plain values."""
    meaning = CHANNELS[column.channel].meaning if column.channel else ""
    return {
        "header": clipped(column.header, NAME_LENGTH),
        "channel": column.channel,
        "meaning": meaning,
        "unit_read": column.unit,
        "unit_inside": column.unit_inside,
        "recognised": HOW_WORDS[column.how],
        "unit_from": UNIT_WORDS[column.unit_how],
        "blank": column.blank,
        "lowest": column.low,
        "highest": column.high,
    }


def evidence_record(found: LogEvidence) -> dict[str, object]:
    """Return the evidence of a log as plain values."""
    delay, (richest, leanest) = found.delay, found.stops
    return {
        "samples": found.samples,
        "samples_by_fate": {str(name): int(n) for name, n in found.fates.items()},
        "holds": len(found.holds),
        "holds_at_a_stop": int(found.holds["stop"].ne("").sum()),
        "delay": {
            "seconds": delay.delay_s,
            "standard_error_seconds": delay.standard_error_s,
            "flow_part_seconds": delay.flow_delay_s,
            "sensor_lag_seconds": delay.lag_s,
            "sensor_lag_standard_error_seconds": delay.lag_standard_error_s,
            "moves": delay.moves,
            "source": delay.source,
            "why": delay.why,
        },
        "settling": {
            "seconds": found.settling.settle_s,
            "source": found.settling.source,
            "why": found.settling.why,
        },
        "sensor_stops_lambda": {"richest": richest if richest > 0 else None, "leanest": leanest},
        "is_polled": found.refresh.is_polled,
        "rows_between_new_values": dict(found.refresh.rows),
        "interval_seconds": found.refresh.interval_s,
        "notes": list(found.notes),
    }
