"""The evidence of a round's logs, as plain files that read back as exactly the same numbers.

::

    holds.csv       one row per hold, ``log`` first
    peaks.csv       highest readings near each cell and sums over the passes through it, one row per
                    log and cell
    trace.csv       samples over time, thinned: to be looked at, the fit does not use them
    visits.csv      samples nearest to each breakpoint, moves included, as a grid file
    evidence.json   what was found about each log, and the engine's response

Numbers are written with all their digits, so that rounds read back pool exactly as when they were
made. A number that is not finite has one meaning for each key, given here, and is null in JSON.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any, TypeVar, cast, get_type_hints

import numpy as np
import pandas as pd

from tuneassist.errors import InputError
from tuneassist.evidence.delay import SensorDelay
from tuneassist.evidence.holds import SHARED_ERRORS, Settling
from tuneassist.evidence.load_envelope import COLUMNS as DRIVEN_COLUMNS
from tuneassist.evidence.moving_blocks import BLOCK_COLUMNS, no_blocks
from tuneassist.evidence.refresh import Refresh
from tuneassist.evidence.time_trace import TRACE_COLUMNS, TRACE_NUMBERS, no_trace
from tuneassist.files.grid_file import write_grid_text
from tuneassist.files.json_file import built, parse_record, take, take_list, take_words
from tuneassist.files.round_files import PUT_BACK, RoundFiles, text_table
from tuneassist.files.safe_files import snippet
from tuneassist.files.serialise import frame_csv, stable_json
from tuneassist.grid import Axes, Grid
from tuneassist.inert import from_sheet_text
from tuneassist.loop.advice import Word
from tuneassist.loop.response import Response
from tuneassist.pipeline import FATES, LogEvidence

FORMAT = 3
"""Format that `evidence_contents` writes."""
EVIDENCE_FILES = (
    "holds.csv",
    "blocks.csv",
    "peaks.csv",
    "trace.csv",
    "visits.csv",
    "evidence.json",
)
_WORDS = ("log", "stop", "where", "fate")
_NAN = float("nan")
HOLD_NUMBERS = ("rpm", "load", "samples", "need_ln")
"""Columns of a hold that the fit uses: each has a number in every row."""
LARGEST = 1e9
"""Largest size of any of them: beyond every speed, pressure and count of samples. [1]"""
MAX_CELLS_READ = 8_000_000
"""Most cells of a table of evidence: 200 logs on 64 x 64 cells have 6.6 million. [1]"""


@dataclass(frozen=True, eq=False)
class StoredEvidence:
    """A round's evidence as stored.

    Parameters
    ----------
    made
        Identity of the folder, as the history has it.
    logs
        Every log of the round.
    set_aside
        Names of those that were set aside, with the reason.
    response
        How the engine answered the change before.
    summary
        Summary of the round as plain values, for the status screen.
    visits
        Samples nearest to each breakpoint, shape of the axes. [1]
    """

    made: str
    logs: tuple[LogEvidence, ...]
    set_aside: Mapping[str, str]
    response: Response
    summary: Mapping[str, Any]
    visits: Grid

    @property
    def counted(self) -> tuple[LogEvidence, ...]:
        """The logs that count."""
        return tuple(log for log in self.logs if log.name not in self.set_aside)


@dataclass(frozen=True)
class _LogRecord:
    """What ``evidence.json`` stores of a log; older programs stored no passes and no loads."""

    name: str
    samples: int
    fates: dict[str, int]
    refresh: dict[str, Any]
    delay: dict[str, Any]
    settling: dict[str, Any]
    stops: tuple[float | None, float | None]
    peak_columns: list[str]
    hold_columns: list[str]
    notes: list[str]
    driven: dict[str, list[float]] | None = None


@dataclass(frozen=True)
class _SummaryRecord:
    """A round's summary as plain values, shown unchanged on screens."""

    number: int | None = None
    cells_seen: int | None = None
    cells_inside: int | None = None
    rms_pct: float | None = None
    response: float | None = None
    response_low: float | None = None
    response_high: float | None = None
    advice: Word = "halt"
    why: str | None = None


@dataclass(frozen=True)
class _Regions:
    """The regions of a response, one table each."""

    regions: list[dict[str, str | int | float | None]] = field(default_factory=list)


def evidence_contents(stored: StoredEvidence, axes: Axes) -> dict[str, str]:
    """Return the files' contents.

    Parameters
    ----------
    stored
        What to store.
    axes
        Breakpoints, for the places in ``peaks.csv``.
    """
    places = pd.DataFrame({"rpm": axes.cell_rpm(), "load": axes.cell_load()})
    peaks = [
        _log_first(pd.concat([places.assign(log=log.name), log.peaks], axis=1))
        for log in stored.logs
    ]
    holds = _log_first(pd.concat([log.holds for log in stored.logs], ignore_index=True))
    blocks = [_blocks(log).assign(log=log.name) for log in stored.logs]
    traces = [_trace(log).assign(log=log.name) for log in stored.logs]
    record = {
        "format": FORMAT,
        "made": stored.made,
        "look": dict(stored.summary),
        "response": response_record(stored.response),
        "logs_set_aside": dict(stored.set_aside),
        "logs": [_log_record(log) for log in stored.logs],
    }
    return {
        "holds.csv": frame_csv(holds, decimals=None),
        "blocks.csv": frame_csv(_log_first(pd.concat(blocks)), decimals=None),
        "peaks.csv": frame_csv(pd.concat(peaks), decimals=None),
        "trace.csv": frame_csv(_log_first(pd.concat(traces)), decimals=None),
        "visits.csv": write_grid_text(stored.visits),
        "evidence.json": stable_json(record),
    }


def _blocks(log: LogEvidence) -> pd.DataFrame:
    return no_blocks() if log.blocks is None else log.blocks


def _trace(log: LogEvidence) -> pd.DataFrame:
    return no_trace() if log.trace is None else log.trace


def _log_first(table: pd.DataFrame) -> pd.DataFrame:
    return table[["log", *(name for name in table if name != "log")]]


def read_evidence(
    folder: Path, axes: Axes, *, known: Mapping[str, str] | None = None
) -> StoredEvidence:
    """Read a round's evidence back.

    Parameters
    ----------
    folder
        The round's folder.
    axes
        Breakpoints of the setup.
    known
        Name to fingerprint of each file, where the history has them.

    Raises
    ------
    InputError
        When a file was changed or is invalid, or was written by a newer program.
    """
    files, where = RoundFiles(folder, known or {}), str(folder / "evidence.json")
    record = parse_record(files.read("evidence.json"), where=where, mend=PUT_BACK)
    reader = known_format(READERS, record.get("format"), where=where)
    holds, peaks = (_frame(files, name) for name in ("holds.csv", "peaks.csv"))
    visits = files.grid("visits.csv", axes)
    try:
        stored = cast("StoredEvidence", reader(files, record, holds, peaks, visits))
        _require_sound(stored, axes)
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            f"the evidence of this round cannot be read: {snippet(error, 120).rstrip('.')}.",
            where=str(folder),
            mend=PUT_BACK,
        ) from error
    return stored


def _require_sound(stored: StoredEvidence, axes: Axes) -> None:
    """Refuse evidence that no log can produce."""
    if not np.nan_to_num(stored.visits.values).min() >= 0:
        raise ValueError("visits.csv has a negative number of samples")
    names = [log.name for log in stored.logs]
    if not names or len(set(names)) < len(names):
        raise ValueError("no log is listed, or one is listed twice")
    for log in stored.logs:
        lacking = [n for n in (*HOLD_NUMBERS, "within_se", "stop") if n not in log.holds]
        if lacking:
            raise ValueError(f"holds.csv has no column {', '.join(lacking)}")
        values = log.holds[list(HOLD_NUMBERS)].to_numpy(dtype=float)
        scatter = log.holds["within_se"]
        if not np.isfinite(values).all() or (np.abs(values) > LARGEST).any():
            raise ValueError(f"a hold of {snippet(log.name)} has a missing or implausible number")
        shared = log.holds[[name for name in SHARED_ERRORS if name in log.holds]]
        if (shared.abs() > LARGEST).any(axis=None):
            raise ValueError("a hold has an implausible shared error")
        if not log.holds["stop"].isin(("", "rich", "lean")).all():
            raise ValueError("a hold has an unknown kind of stop")
        if (scatter.lt(0) | scatter.gt(LARGEST)).any() or log.holds["samples"].lt(1).any():
            raise ValueError("a hold has no samples, or a negative scatter")
        if len(log.peaks) != axes.size:
            raise ValueError("peaks.csv does not have one row for each log and cell")
        if log.blocks is not None:
            _require_blocks(log.blocks)
        if log.trace is not None:
            _require_trace(log.trace)


def _require_trace(trace: pd.DataFrame) -> None:
    """Refuse samples over time that no log can produce."""
    values = trace[list(TRACE_NUMBERS)].to_numpy(dtype=float)
    if (np.abs(values) > LARGEST).any() or not np.isfinite(values[:, 0]).all():
        raise ValueError("a sample of trace.csv has a missing time or an implausible number")
    if not trace["fate"].isin(FATES).all():
        raise ValueError("a sample of trace.csv has an unknown fate")


def _require_blocks(blocks: pd.DataFrame) -> None:
    """Refuse blocks of moving samples that no log can produce."""
    values = blocks.to_numpy(dtype=float)
    if not (np.abs(values) <= LARGEST).all():
        raise ValueError("a block of moving samples has a missing or implausible number")
    if blocks["samples"].lt(1).any() or blocks["rate_per_s"].lt(0).any():
        raise ValueError("a block has no samples, or moves at a negative rate")


def known_format(
    readers: Mapping[int, Callable[..., Any]], number: object, *, where: str
) -> Callable[..., Any]:
    """Return the reader of a format; older formats stay readable, newer ones are refused.

    Raises
    ------
    InputError
        When there is no reader for the format.
    """
    is_number = isinstance(number, int) and not isinstance(number, bool)
    if is_number and number in readers:
        return readers[cast("int", number)]
    if is_number and cast("int", number) > max(readers):
        raise InputError(
            f"this was written in format {number}; this program knows up to {max(readers)}.",
            where=where,
            mend="Use the newer program that wrote it.",
        )
    raise InputError(f"{snippet(repr(number))} is not a format of this program.", where=where)


def _read_1(
    files: RoundFiles,
    record: Mapping[str, Any],
    holds: pd.DataFrame,
    peaks: pd.DataFrame,
    visits: Grid,
) -> StoredEvidence:
    """Read what was written before moving samples were kept."""
    return _read(record, holds, None, peaks, visits)


def _read_2(
    files: RoundFiles,
    record: Mapping[str, Any],
    holds: pd.DataFrame,
    peaks: pd.DataFrame,
    visits: Grid,
) -> StoredEvidence:
    blocks = _with_columns(files, "blocks.csv", BLOCK_COLUMNS)
    return _read(record, holds, blocks, peaks, visits)


def _read_3(
    files: RoundFiles,
    record: Mapping[str, Any],
    holds: pd.DataFrame,
    peaks: pd.DataFrame,
    visits: Grid,
) -> StoredEvidence:
    """Read what is written now: samples over time as well, and where a value found by hand is."""
    trace = _with_columns(files, "trace.csv", TRACE_COLUMNS)
    stored = _read_2(files, record, holds, peaks, visits)
    logs = (replace(log, trace=_own_rows(trace, log.name, TRACE_COLUMNS)) for log in stored.logs)
    return replace(stored, logs=tuple(logs))


def _read(
    record: Mapping[str, Any],
    holds: pd.DataFrame,
    blocks: pd.DataFrame | None,
    peaks: pd.DataFrame,
    visits: Grid,
) -> StoredEvidence:
    logs = take_list(record, "logs", dict)
    return StoredEvidence(
        made=take(record, "made", str),
        logs=tuple(_log_of(one, holds, blocks, peaks) for one in logs),
        set_aside=take_words(record, "logs_set_aside"),
        response=_response_of(take(record, "response", dict)),
        summary=_sound_summary(record),
        visits=visits,
    )


READERS: Mapping[int, Callable[..., StoredEvidence]] = {1: _read_1, 2: _read_2, 3: _read_3}
"""One reader per format that was ever written."""


def _with_columns(files: RoundFiles, name: str, columns: Sequence[str]) -> pd.DataFrame:
    """Read a table that has to have these columns."""
    table = _frame(files, name)
    if lacking := [column for column in columns if column not in table]:
        raise ValueError(f"{name} has no column {', '.join(lacking)}")
    return table


def _frame(files: RoundFiles, name: str) -> pd.DataFrame:
    """Read a table; text to float by Python's own rule, which restores what was written."""
    data = files.read(name)
    try:
        if data.count(b",") + data.count(b"\n") > MAX_CELLS_READ:
            raise ValueError(f"it has more than {MAX_CELLS_READ:,} cells")
        text = text_table(data)
        if "log" not in text:
            raise ValueError("it has no column log")
        numbers = [str(column) for column in text if column not in _WORDS]
        words = {name: text[name].map(from_sheet_text) for name in _WORDS if name in text}
        values = {column: text[column].replace("", "nan").astype(float) for column in numbers}
    except (ValueError, OverflowError) as error:
        raise InputError(
            f"this table cannot be read: {snippet(error, 120).rstrip('.')}.",
            where=str(files.folder / name),
            mend=PUT_BACK,
        ) from error
    return text.assign(**words, **values)


def _log_record(log: LogEvidence) -> dict[str, Any]:
    return {
        "name": log.name,
        "samples": log.samples,
        "fates": {str(name): int(count) for name, count in log.fates.items()},
        "refresh": {"rows": dict(log.refresh.rows), "interval_s": log.refresh.interval_s},
        "delay": asdict(log.delay),
        "settling": asdict(log.settling),
        "stops": list(log.stops),
        "peak_columns": [str(name) for name in log.peaks.columns],
        "hold_columns": [str(name) for name in log.holds.columns],
        "notes": list(log.notes),
        "driven": None if log.driven is None else log.driven.to_dict("list"),
    }


def _log_of(
    plain: Mapping[str, Any],
    holds: pd.DataFrame,
    blocks: pd.DataFrame | None,
    peaks: pd.DataFrame,
) -> LogEvidence:
    record = built(_LogRecord, plain)
    own = holds[holds["log"].eq(record.name)].reset_index(drop=True)
    hot = peaks[peaks["log"].eq(record.name)].reset_index(drop=True)
    rich, lean = record.stops
    fates = pd.Series(record.fates, dtype=int).reindex(FATES, fill_value=0).rename("count")
    return LogEvidence(
        name=record.name,
        holds=own[record.hold_columns],
        fates=fates,
        samples=record.samples,
        refresh=_built(Refresh, {"interval_s": None, **record.refresh}),
        delay=_built(SensorDelay, record.delay),
        settling=_built(Settling, record.settling),
        stops=(0.0 if rich is None else rich, math.inf if lean is None else lean),
        peaks=hot[record.peak_columns],
        blocks=None if blocks is None else _own_rows(blocks, record.name, BLOCK_COLUMNS),
        driven=_driven_of(record.driven),
        notes=tuple(record.notes),
    )


def _own_rows(table: pd.DataFrame, log: str, columns: Sequence[str]) -> pd.DataFrame:
    """Return the rows of one log, without its name."""
    return table.loc[table["log"].eq(log), list(columns)].reset_index(drop=True)


def _driven_of(kept: Mapping[str, list[float]] | None) -> pd.DataFrame | None:
    """Loads driven by speed; None where an older program stored none."""
    if kept is None:
        return None
    columns = {name: take(kept, name, list) for name in DRIVEN_COLUMNS}
    if len({len(values) for values in columns.values()}) != 1:
        raise ValueError("evidence.json does not have one load for each speed driven")
    driven = pd.DataFrame(columns, dtype=float)
    if not (np.abs(driven.to_numpy()) <= LARGEST).all():
        raise ValueError("a driven speed or load is missing or implausible")
    return driven


def _built(kind: type[_Kind], record: Mapping[str, Any]) -> _Kind:
    """Build an object of plain numbers and words, all keys known; null becomes nan."""
    hints = get_type_hints(kind)
    if unknown := sorted(set(record) - set(hints)):
        raise ValueError(f'"{snippet(unknown[0])}" is not known')
    values = {
        name: _NAN if value is None and hints[name] is float else value
        for name, value in record.items()
    }
    return built(kind, values)


_Kind = TypeVar("_Kind")


def _sound_summary(record: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return a round's summary as plain values; a missing value is reported by its reader."""
    summary: Mapping[str, Any] = take(record, "look", dict)
    built(_SummaryRecord, summary)
    return summary


def response_record(response: Response) -> dict[str, Any]:
    """Return a response as plain values."""
    record = {f.name: getattr(response, f.name) for f in fields(response) if f.name != "regions"}
    return {**record, "regions": response.regions.to_dict("records")}


def _response_of(record: Mapping[str, Any]) -> Response:
    plain = {name: value for name, value in record.items() if name != "regions"}
    regions = built(_Regions, record).regions
    for one in regions:
        take(one, "region", str)
    return replace(_built(Response, plain), regions=pd.DataFrame(regions))
