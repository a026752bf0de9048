"""A tune's full-load run: a log with pulls in it, or a table of speed with torque or power."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count, islice
from pathlib import Path
from typing import TextIO

import pandas as pd

from tuneassist.errors import LogError
from tuneassist.files.toml_table import shown
from tuneassist.inert import listed, quoted
from tuneassist.loop.tune_run_checks import BY_HEADERS, table_pull
from tuneassist.reading import Log, read_log
from tuneassist.runs import AirCorrection, AirState, NamedSamples, Pull, RunSettings
from tuneassist.runs.air_difference import KnownAir, mean_air
from tuneassist.runs.curves import curve_of, mean_curves
from tuneassist.runs.side_runs import (
    Run,
    air_of_pull,
    is_usable,
    may_be_corrected,
    pull_with_torque,
    runs_of_side,
)
from tuneassist.runs.standard_air import TITLES
from tuneassist.settings import EngineSettings, Setup, default_limits

OUTPUTS = ("torque_nm", "power_kw")
BESIDE = {
    "lambda": (0.4, 4.0), "exhaust_temp_c": (-40.0, 1300.0), "boost_kpa": (-100.0, 500.0),
    "barometer_kpa": (40.0, 120.0), "intake_temp_c": (-50.0, 80.0),
}  # fmt: skip
"""Further columns of a run that are read where present, and their range at full load: an AFR must
not pass for a lambda, nor a kelvin for a degC. [lambda], [degC], [kPa gauge], [kPa], [degC]"""
BAND = ("torque_low_nm", "torque_high_nm")
"""Interval of the mean over a log's pulls, nan where it has one. [N.m]"""
TABLE = "Or give a table with the columns rpm and torque_nm, power_kw or both."
MAX_TABLE_ROWS = 20_000
"""A table has a row for each speed: twice as many as an engine has rpm. [1]"""
MAX_LINE = 65_536
"""Longest line of a table. [characters]"""
MOST_REASONS = 6
"""Reasons that one message lists. [1]"""
NOT_THERE = ("no column was found for", "names the column")
"""Words of the errors after which a log is read by its headers alone: a dyno's own logger has other
columns than the setup names, and full-load runs need neither lambda nor load."""


@dataclass(frozen=True, eq=False)
class TuneRun:
    """A full-load run and where it comes from.

    Parameters
    ----------
    curve
        ``rpm`` and ``torque_nm``, ``power_kw`` or both. [rpm], [N.m], [kW]
    words
        Where it comes from, in words.
    pulls
        Its samples as measured: the pulls of a log, or the rows of a table.
    air
        What is known of its air.
    standard
        Title of the standard that the curve was brought to; empty where it is as measured.
    logged
        Unit of each channel of its log; none for a table, whose columns name the unit.
    """

    curve: pd.DataFrame
    words: str
    pulls: tuple[Pull, ...] = ()
    air: KnownAir = field(default_factory=KnownAir)
    standard: str = ""
    logged: Mapping[str, str] = field(default_factory=dict)


def read_run(
    path: Path,
    *,
    setup: Setup | None = None,
    settings: RunSettings | None = None,
    air: AirState | None = None,
) -> TuneRun:
    """Read a full-load run.

    Parameters
    ----------
    path
        A table, a CSV with a header of ``rpm`` and ``torque_nm``, ``power_kw`` or both and no
        time; the columns of `BESIDE` are read where present, blank where not known, other
        columns are ignored, and ``;`` with decimal comma is read as spreadsheets
        save it. Anything else is read as a log, of which the full-load pulls are taken.
    setup
        Whose channels a log is read with; where they do not fit, it is read by its headers. Its
        ignition decides the standard's formula.
    settings
        The standard that torque and power are brought to; None leaves them as measured.
    air
        Air of the run; None takes the run's own channels.

    Raises
    ------
    LogError
        When a value of a table is not a number, a log cannot be read or has no full-load pull.
    """
    path, settings = Path(path), settings or RunSettings()
    first = _rows(path, 1)
    if not first:
        return _of_log(path, setup, settings, air)
    mark = ";" if ";" in first[0][1] else ","
    header = [word.strip().strip('"').casefold() for word in first[0][1].split(mark)]
    has_time = any(word.startswith("time") for word in header)
    if "rpm" not in header or not set(OUTPUTS) & set(header) or has_time:
        return _of_log(path, setup, settings, air)
    rows = _rows(path, MAX_TABLE_ROWS + 2)
    if not rows:
        return _of_log(path, setup, settings, air)
    if len(rows) > MAX_TABLE_ROWS + 1:
        raise LogError(
            f"the table has more than {MAX_TABLE_ROWS} rows.",
            where=str(path),
            mend="A run is one row for each speed; a log needs a column of time.",
        )
    curve = _of_table(path, rows, header, mark)
    return _as_run(curve, path.name, setup, settings, air)


def _as_run(
    curve: pd.DataFrame,
    name: str,
    setup: Setup | None,
    settings: RunSettings,
    air: AirState | None,
) -> TuneRun:
    """Return a table as a run, torque and power brought to the standard where its air is known."""
    pull = table_pull(curve, name)
    engine = setup.engine if setup else EngineSettings()
    found = air_of_pull(pull, air, settings, engine)
    if settings.standard == "none" or not is_usable(found.correction, settings):
        words = (f"table {name}", *_not_corrected([found.correction], settings))
        return TuneRun(curve, "; ".join(words), (pull,), found.known)
    outputs = {n: found.correction.factor * curve[n] for n in OUTPUTS if n in curve}
    title = TITLES[settings.standard]
    words = (f"table {name}", f"brought to {title}, factor {found.correction.factor:.4f}")
    return TuneRun(curve.assign(**outputs), "; ".join(words), (pull,), found.known, title)


def _not_corrected(corrections: Sequence[AirCorrection], settings: RunSettings) -> tuple[str, ...]:
    """Say that a run was not corrected to the standard asked for, and why."""
    if settings.standard == "none":
        return ()
    why = next((c.refusal.description for c in corrections if c.refusal is not None), "")
    reason = f": {why.rstrip('.')}" if why else ""
    return (f"NOT brought to {TITLES[settings.standard]}{reason}",)


def _rows(path: Path, most: int) -> list[tuple[int, str]]:
    """Return the first lines with their numbers, blank ones left out; none where it is not text."""
    try:
        if not path.is_file():  # a pipe would block
            return []
        with path.open(encoding="utf-8-sig") as stream:
            return list(islice(_lines(stream), most))
    except (OSError, ValueError):
        return []


def _lines(stream: TextIO) -> Iterator[tuple[int, str]]:
    """Yield the lines that are not blank; an error where one is too long for a table."""
    for number in count(1):
        line = stream.readline(MAX_LINE)
        if not line:
            return
        if len(line) == MAX_LINE:
            raise ValueError(number)
        if line.strip():
            yield number, line.rstrip("\n")


def _of_table(
    path: Path, rows: list[tuple[int, str]], header: list[str], mark: str
) -> pd.DataFrame:
    if len(rows) < 2:
        raise LogError("the run holds no values.", where=str(path))
    for name in ("rpm", *OUTPUTS, *BESIDE):
        if header.count(name) > 1:
            raise LogError(f"the column {name} appears twice.", where=str(path))
    columns = {name: header.index(name) for name in ("rpm", *OUTPUTS, *BESIDE) if name in header}
    values = [
        {name: _number(line.split(mark), at, name, f"{path}, line {n}", mark)
         for name, at in columns.items()}
        for n, line in rows[1:]
    ]  # fmt: skip
    frame = pd.DataFrame(values, columns=list(columns), dtype=float)
    if (frame["rpm"] <= 0).any():
        row = int((frame["rpm"] <= 0).to_numpy().argmax())
        raise LogError("a speed is not greater than 0.", where=f"{path}, line {rows[1 + row][0]}")
    return frame


def _number(cells: list[str], at: int, name: str, where: str, mark: str) -> float:
    text = cells[at].strip().strip('"') if at < len(cells) else ""
    if not text and name in BESIDE:
        return math.nan
    try:
        value = float(text.replace(",", ".") if mark == ";" else text)
    except ValueError:
        value = float("inf")
    if not math.isfinite(value):
        raise LogError(f"{name} is {shown(text)}.", where=where, mend="Write a number.")
    if name in BESIDE:
        low, high = BESIDE[name]
        if not low <= value <= high:
            mend = f"Write {name} from {low:g} to {high:g}, or leave the cell blank."
            raise LogError(f"{name} is {shown(text)}.", where=where, mend=mend)
    return value


def _of_log(
    path: Path, setup: Setup | None, settings: RunSettings, air: AirState | None
) -> TuneRun:
    """Take the full-load pulls of a log; driving between them does not count."""
    log, how = _read(path, setup)
    if not any(name in log.samples and log.samples[name].notna().any() for name in OUTPUTS):
        found = listed(quoted(column.header) for column in log.columns)
        raise LogError(
            "the run has neither torque nor power.",
            where=str(path),
            mend=f"Its columns are {found}. {TABLE}",
        )
    engine = setup.engine if setup else EngineSettings()
    side = runs_of_side(
        "run", [NamedSamples(path.name, log.samples)], air=air, settings=settings, engine=engine,
        limits=setup.limits if setup else default_limits(engine.ignition),
    )  # fmt: skip
    if not side.runs:
        why = " ".join(refusal.description for refusal in side.refusals[:MOST_REASONS])
        raise LogError(f"the log has no full-load pull. {why}", where=str(path), mend=TABLE)
    is_corrected, _ = may_be_corrected(side.runs, settings)
    curve = _mean_curve(side.runs, path, settings, is_corrected=is_corrected)
    notes = list(dict.fromkeys(note.rstrip(".") for _, note in side.notes))
    title = TITLES[settings.standard] if is_corrected else ""
    if is_corrected:
        notes.insert(0, f"brought to {title}, factor {side.runs[0].correction.factor:.4f}")
    else:
        notes = [*_not_corrected([run.correction for run in side.runs], settings), *notes]
    many = len(side.runs)
    pulls = f"mean of {many} full-load pulls" if many > 1 else "one full-load pull"
    span = f"{curve['rpm'].min():.0f} to {curve['rpm'].max():.0f} rpm"
    words = "; ".join((f"{pulls} of {path.name}, {span}", *how, *notes))
    pulls_seen = tuple(pull_with_torque(run) for run in side.runs)
    air_seen = mean_air([run.air for run in side.runs])
    return TuneRun(curve, words, pulls_seen, air_seen, title, log.units)


def _mean_curve(
    runs: Sequence[Run], path: Path, settings: RunSettings, *, is_corrected: bool
) -> pd.DataFrame:
    """Return the mean torque over the speeds that every pull covers."""
    curves = [
        curve_of(
            run.pull, run.torque.torque_nm, side="run",
            factor=run.correction.factor if is_corrected else 1.0, settings=settings,
        )
        for run in runs
    ]  # fmt: skip
    mean = mean_curves(pd.concat(curves, ignore_index=True), settings)
    names = ["rpm", "torque_nm", *(name for name in (*BAND, *BESIDE) if name in mean)]
    whole = mean.loc[mean["is_full"], names].dropna(subset=["rpm", "torque_nm"])
    whole = whole.reset_index(drop=True)
    if whole.empty:
        raise LogError("the log's pulls share no speed.", where=str(path), mend=TABLE)
    return whole


def _read(path: Path, setup: Setup | None) -> tuple[Log, list[str]]:
    try:
        return read_log(path, setup=setup), []
    except LogError as error:
        if setup is None or not any(words in str(error) for words in NOT_THERE):
            raise
        first = error
    try:
        return read_log(path), [f"{BY_HEADERS}, since the setup names other columns"]
    except LogError:
        raise first from None
