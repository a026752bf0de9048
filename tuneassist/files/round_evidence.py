"""What a round's logs said, as plain files that read back as the very same numbers.

::

    holds.csv       one row per hold, ``log`` first
    peaks.csv       highest readings near each cell, one row per log and cell
    visits.csv      samples nearest to each breakpoint, moves included, as a grid file
    evidence.json   what was found out about each log, and how the engine answered

Numbers are written with all their digits, so that rounds read back pool as they did when they were
made. A number that is not finite has one meaning for each key, given here, and is null in JSON.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, cast, get_args

import pandas as pd

from tuneassist.errors import InputError
from tuneassist.evidence.delay import SensorDelay
from tuneassist.evidence.holds import Settling
from tuneassist.evidence.refresh import Refresh
from tuneassist.files.grid_file import read_grid, write_grid_text
from tuneassist.files.text import WRONG_SHAPE, frame_csv, read_json, require_number, stable_json
from tuneassist.grid import Axes, Grid
from tuneassist.inert import from_sheet_text, quoted
from tuneassist.loop.advice import RoundLook, Word
from tuneassist.loop.response import Response
from tuneassist.pipeline import FATES, LogEvidence

FORMAT = 1
"""Form in which `evidence_contents` writes."""
EVIDENCE_FILES = ("holds.csv", "peaks.csv", "visits.csv", "evidence.json")
_WORDS = ("log", "stop")
_HOLD_COLUMNS = frozenset(
    ("log", "start_s", "end_s", "rpm", "load", "need_ln", "within_se", "stop")
)
"""What every hold has had since the first form."""
_NAN = float("nan")


@dataclass(frozen=True, eq=False)
class StoredEvidence:
    """A round's evidence as kept.

    Parameters
    ----------
    made
        Mark of the folder, by which the history knows it.
    logs
        Every log of the round.
    set_aside
        Names of those that were found not to be of this engine, with the reason.
    response
        How the engine answered the change before.
    look
        Plain values that a status shows: cells seen and so on.
    visits
        Samples nearest to each breakpoint, shape of the axes. [1]
    """

    made: str
    logs: tuple[LogEvidence, ...]
    set_aside: Mapping[str, str]
    response: Response
    look: Mapping[str, Any]
    visits: Grid

    @property
    def counted(self) -> tuple[LogEvidence, ...]:
        """The logs that count."""
        return tuple(log for log in self.logs if log.name not in self.set_aside)


def evidence_contents(stored: StoredEvidence, axes: Axes) -> dict[str, str]:
    """Return the files' contents.

    Parameters
    ----------
    stored
        What is to be kept.
    axes
        Breakpoints, for the places in ``peaks.csv``.
    """
    places = pd.DataFrame({"rpm": axes.cell_rpm(), "load": axes.cell_load()})
    peaks = [
        _log_first(pd.concat([places.assign(log=log.name), log.peaks], axis=1))
        for log in stored.logs
    ]
    holds = _log_first(pd.concat([log.holds for log in stored.logs], ignore_index=True))
    record = {
        "format": FORMAT,
        "made": stored.made,
        "look": dict(stored.look),
        "response": response_record(stored.response),
        "logs_set_aside": dict(stored.set_aside),
        "logs": [_log_record(log) for log in stored.logs],
    }
    return {
        "holds.csv": frame_csv(holds, decimals=None),
        "peaks.csv": frame_csv(pd.concat(peaks), decimals=None),
        "visits.csv": write_grid_text(stored.visits),
        "evidence.json": stable_json(record),
    }


def _log_first(table: pd.DataFrame) -> pd.DataFrame:
    return table[["log", *(name for name in table if name != "log")]]


def read_evidence(folder: Path, axes: Axes) -> StoredEvidence:
    """Read a round's evidence back.

    Parameters
    ----------
    folder
        The round's folder.
    axes
        Breakpoints of the setup.

    Raises
    ------
    InputError
        When a file cannot be meant as it stands, or was written by a newer program.
    """
    try:
        record = read_json(folder / "evidence.json")
        where = str(folder / "evidence.json")
        reader = known_format(READERS, record["format"], where=where)
        holds, peaks = (_frame(folder / name) for name in ("holds.csv", "peaks.csv"))
        visits = read_grid(folder / "visits.csv", axes=axes)
        stored = cast("StoredEvidence", reader(record, holds, peaks, visits))
        _check_look(stored.look)
        return stored
    except InputError:
        raise
    except WRONG_SHAPE as error:
        said = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"the evidence kept of this round cannot be read: {said}.",
            where=str(folder),
            mend="Restore the folder from a copy, or take the round back with "
            "`tuneassist rounds undo`.",
        ) from error


def _check_look(look: Mapping[str, Any]) -> None:
    """Refuse what no screen could show; what is missing is told by what needs it."""
    for name in RoundLook.__dataclass_fields__:
        if look.get(name) is not None:
            require_number(look[name])
    if look.get("advice", "halt") not in get_args(Word):
        raise ValueError(f"{quoted(look['advice'])} is no advice")


def known_format(
    readers: Mapping[int, Callable[..., Any]], number: object, *, where: str
) -> Callable[..., Any]:
    """Return the reader of a format; older ones stay readable, newer ones are refused.

    Raises
    ------
    InputError
        When there is no reader for the format.
    """
    whole = number if isinstance(number, int) and not isinstance(number, bool) else 0
    if whole in readers:
        return readers[whole]
    if whole > max(readers):
        raise InputError(
            f"this was written in format {number}; this program knows up to {max(readers)}.",
            where=where,
            mend="Use the newer program that wrote it.",
        )
    raise InputError(f"{quoted(number)} is no format of this program.", where=where)


def _read_1(
    record: Mapping[str, Any], holds: pd.DataFrame, peaks: pd.DataFrame, visits: Grid
) -> StoredEvidence:
    return StoredEvidence(
        made=str(record["made"]),
        logs=tuple(_log_of(one, holds, peaks) for one in record["logs"]),
        set_aside=dict(record["logs_set_aside"]),
        response=_response_of(record["response"]),
        look=record["look"],
        visits=visits,
    )


READERS: Mapping[int, Callable[..., StoredEvidence]] = {1: _read_1}
"""One reader per format that was ever written."""


def _frame(path: Path) -> pd.DataFrame:
    """Read a table; text to float by the language's own rule, which gives back what was written."""
    text = pd.read_csv(path, encoding="utf-8", dtype=str, keep_default_na=False)
    numbers = [str(name) for name in text if name not in _WORDS]
    words = {name: text[name].map(from_sheet_text) for name in _WORDS if name in text}
    return text.assign(
        **words, **{name: text[name].replace("", "nan").astype(float) for name in numbers}
    )


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
    }


def _log_of(record: Mapping[str, Any], holds: pd.DataFrame, peaks: pd.DataFrame) -> LogEvidence:
    name = str(record["name"])
    own = holds[holds["log"].eq(name)].reset_index(drop=True)
    hot = peaks[peaks["log"].eq(name)].reset_index(drop=True)
    lacking = _HOLD_COLUMNS - set(record["hold_columns"])
    if lacking:
        raise ValueError(f"the holds have no {', '.join(sorted(lacking))}")
    rich, lean = record["stops"]
    fates = pd.Series(record["fates"], dtype=int).reindex(FATES, fill_value=0).rename("count")
    return LogEvidence(
        name=name,
        holds=own[list(record["hold_columns"])],
        fates=fates,
        samples=int(record["samples"]),
        refresh=Refresh(
            {str(k): int(v) for k, v in record["refresh"]["rows"].items()},
            _number(record["refresh"]["interval_s"]),
        ),
        delay=SensorDelay(**_numbers(record["delay"])),
        settling=Settling(**_numbers(record["settling"])),
        stops=(0.0 if rich is None else float(rich), math.inf if lean is None else float(lean)),
        peaks=hot[list(record["peak_columns"])],
        notes=tuple(map(str, record["notes"])),
    )


def _number(value: object) -> float:
    return _NAN if value is None else float(str(value))


def _numbers(record: Mapping[str, Any]) -> dict[str, Any]:
    """Give null its meaning, not a number."""
    return {name: _NAN if value is None else value for name, value in record.items()}


def response_record(response: Response) -> dict[str, Any]:
    """Return a response as plain values."""
    record = {f.name: getattr(response, f.name) for f in fields(response) if f.name != "regions"}
    return {**record, "regions": response.regions.to_dict("records")}


def _response_of(record: Mapping[str, Any]) -> Response:
    plain = _numbers({name: value for name, value in record.items() if name != "regions"})
    words: dict[str, Any] = {name: str(plain.pop(name)) for name in ("verdict", "why")}
    for value in plain.values():
        require_number(value)
    return Response(**words, **plain, regions=pd.DataFrame(record["regions"]))
