"""Write a simulated session as a logger would: headers, units and file dialect.

The unit factors are repeated here on purpose: with independent factors, the test data reveal a
wrong factor in the reader.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from tuneassist.errors import InputError
from tuneassist.grid import Floats
from tuneassist.simulate.session import Session

# From internal units to the logger's. psi and inHg: exact pound-force and conventional mercury.
_TO_LOGGER: dict[str, Callable[[Floats, float], Floats]] = {
    "ms": lambda x, _: x * 1000.0,
    "psi": lambda x, _: x / 6.894757293168361,
    "bar": lambda x, _: x / 100.0,
    "mbar": lambda x, _: x * 10.0,
    "hPa": lambda x, _: x * 10.0,
    "inHg": lambda x, _: x / 3.386389,
    "degF": lambda x, _: x * 1.8 + 32.0,
    "°F": lambda x, _: x * 1.8 + 32.0,
    "K": lambda x, _: x + 273.15,
    "AFR": lambda x, stoich: x * stoich,
    "afr": lambda x, stoich: x * stoich,
    "phi": lambda x, _: 1.0 / x,
    "lbf.ft": lambda x, _: x / 1.3558179483314004,
}


@dataclass(frozen=True)
class LogColumn:
    """One column of a log.

    Parameters
    ----------
    channel
        Column of the samples frame.
    header
        Header without the unit.
    unit
        The logger's unit word.
    decimals
        Digits after the decimal point.
    """

    channel: str
    header: str
    unit: str
    decimals: int = 1


@dataclass(frozen=True)
class Dialect:
    """How a logger writes its file.

    Parameters
    ----------
    columns
        The columns in order.
    separator, decimal, newline
        Separator, decimal mark and line end of the file.
    encoding
        "utf-8", "utf-8-sig" (with BOM) or "cp1252".
    units
        Place of the units: "round" or "square" brackets after the header, "row" on a second row,
        or "none".
    preamble
        Lines ahead of the header.
    has_trailing_separator
        Every row ends with an extra separator.
    """

    columns: tuple[LogColumn, ...]
    separator: str = ","
    decimal: str = "."
    newline: str = "\n"
    encoding: Literal["utf-8", "utf-8-sig", "cp1252"] = "utf-8"
    units: Literal["round", "square", "row", "none"] = "round"
    preamble: tuple[str, ...] = ()
    has_trailing_separator: bool = False


def log_frame(session: Session, columns: tuple[LogColumn, ...]) -> pd.DataFrame:
    """Convert a session to the logger's columns and units, as numbers.

    Parameters
    ----------
    session
        The simulated session.
    columns
        The logger's columns.

    Returns
    -------
    DataFrame
        One column per header, in the logger's unit, not rounded.

    Raises
    ------
    InputError
        When the session lacks a channel.
    """
    stoich = session.engine.car.afr_stoich
    out = {}
    for column in columns:
        if column.channel not in session.samples:
            raise InputError(
                f"the session has no channel {column.channel!r}.",
                where="simulated log",
                mend=f"It has {', '.join(session.samples.columns)}.",
            )
        values = session.samples[column.channel].to_numpy(dtype=float)
        convert = _TO_LOGGER.get(column.unit)
        out[column.header] = values if convert is None else convert(values, stoich)
    return pd.DataFrame(out)


def log_text(session: Session, dialect: Dialect) -> str:
    """Write a session as the text of a log file in a dialect."""
    frame = log_frame(session, dialect.columns)
    cells = [
        np.char.mod(f"%.{column.decimals}f", frame[column.header].to_numpy())
        for column in dialect.columns
    ]
    if dialect.decimal != ".":
        cells = [np.char.replace(words, ".", dialect.decimal) for words in cells]
    end = dialect.separator if dialect.has_trailing_separator else ""
    rows = (
        dialect.separator.join(row) + end
        for row in zip(*(words.tolist() for words in cells), strict=True)
    )
    head = [dialect.separator.join(words) + end for words in _header_rows(dialect)]
    return dialect.newline.join([*dialect.preamble, *head, *rows]) + dialect.newline


def _header_rows(dialect: Dialect) -> list[list[str]]:
    names = [column.header for column in dialect.columns]
    units = [column.unit for column in dialect.columns]
    if dialect.units == "row":
        return [names, units]
    if dialect.units == "none":
        return [names]
    left, right = ("(", ")") if dialect.units == "round" else ("[", "]")
    return [[f"{name} {left}{unit}{right}" for name, unit in zip(names, units, strict=True)]]


def write_log(path: Path, session: Session, dialect: Dialect) -> None:
    """Write a session to a file; the bytes depend only on session and dialect."""
    path.write_bytes(log_text(session, dialect).encode(dialect.encoding))


def standard_columns(session: Session) -> tuple[LogColumn, ...]:
    """Every channel of a session with a plain header and its internal unit."""
    load = session.engine.car.axes
    known = {
        "time_s": ("Time", "s", 2),
        "rpm": ("Engine speed", "rpm", 0),
        "load": (load.load_name.capitalize(), load.load_unit, 2),
        "lambda": ("Lambda", "lambda", 3),
        "coolant_temp_c": ("Coolant temperature", "degC", 1),
        "coolant_volts": ("Coolant sender", "V", 2),
        "intake_temp_c": ("Intake air temperature", "degC", 1),
        "exhaust_temp_c": ("Exhaust temperature", "degC", 0),
        "throttle_pct": ("Throttle", "percent", 1),
        "fuel_trim_short_pct": ("Short term fuel trim", "percent", 2),
        "fuel_trim_long_pct": ("Long term fuel trim", "percent", 2),
        "injector_duty_pct": ("Injector duty", "percent", 1),
        "rail_pressure_kpa": ("Rail pressure", "kPa", 0),
        "torque_nm": ("Torque", "N.m", 1),
    }
    return tuple(LogColumn(name, *known[name]) for name in session.samples.columns if name in known)
