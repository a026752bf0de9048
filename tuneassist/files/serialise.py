"""Numbers, tables and records as text, always the same text, and the fingerprint of a file."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from pathlib import Path, PurePath
from typing import Any, cast

import numpy as np
import pandas as pd
from pandas.api.types import is_datetime64_any_dtype, is_numeric_dtype

from tuneassist.errors import InputError
from tuneassist.inert import escaped_json, quoted, sheet_text
from tuneassist.settings import as_plain

WRONG_SHAPE = (
    OSError, KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError,
    RecursionError,
)  # fmt: skip
"""Exceptions from a record that does not have the shape in which it was written."""


def shortest_number(value: float) -> str:
    """Write a number as the shortest plain decimal that reads back as the same float.

    Parameters
    ----------
    value
        The number; nan gives an empty text.

    Returns
    -------
    str
        Digits, a point where needed, no exponent; zero has no sign.

    Examples
    --------
    >>> [shortest_number(x) for x in (800.0, -0.1, -0.0, float("nan"), 1e-7)]
    ['800', '-0.1', '0', '', '0.0000001']
    """
    if np.isnan(value):
        return ""
    return np.format_float_positional(float(value) + 0.0, unique=True, trim="-")


def frame_csv(frame: pd.DataFrame, *, decimals: int | None = 4, exact: Sequence[str] = ()) -> str:
    r"""Write a frame as CSV: comma, point, ``\n``, one header row, no index.

    Parameters
    ----------
    frame
        The table; nan and None give an empty cell.
    decimals
        Floats are rounded to this many decimals. Four keep a percent far below what a control
        unit takes (0.1 %) and leave out the noise of binary arithmetic. [1]
    exact
        Columns that keep all their digits: four decimals do not identify a breakpoint near zero.

    Returns
    -------
    str
        The file's content.

    Examples
    --------
    >>> frame_csv(pd.DataFrame({"rpm": [800.0], "step_pct": [0.1 + 0.2], "reason": ["lean, far"]}))
    'rpm,step_pct,reason\n800,0.3,"lean, far"\n'
    """
    safe = frame.assign(
        **{str(name): _safe(frame[name]) for name in frame if _has_text(frame[name])}
    )
    if decimals is None:
        return str(safe.to_csv(index=False, lineterminator="\n"))
    number = cast("Callable[[object], str]", shortest_number)  # it is given floats only
    rounded = {name: decimals for name in safe.columns if name not in exact}
    text = safe.round(rounded).to_csv(index=False, lineterminator="\n", float_format=number)
    return str(text)


def _has_text(column: pd.Series) -> bool:
    return not (is_numeric_dtype(column) or is_datetime64_any_dtype(column))


def _safe(column: pd.Series) -> pd.Series:
    return column.astype(object).map(lambda v: sheet_text(v) if isinstance(v, str) else v)


def stable_json(record: Mapping[str, Any]) -> str:
    r"""Write a record as JSON, keys in their given order, so that equal records give equal text.

    Parameters
    ----------
    record
        Plain values, arrays, settings objects, paths and dates; nan and infinity become null.

    Returns
    -------
    str
        Two spaces of indent, letters beyond ASCII as they are, control and invisible
        characters escaped, a newline at the end.

    Examples
    --------
    >>> stable_json({"b": float("nan"), "a": np.array([1.5])})
    '{\n  "b": null,\n  "a": [\n    1.5\n  ]\n}\n'
    """
    plain = as_plain(record)
    text = json.dumps(plain, ensure_ascii=False, indent=2, allow_nan=False, default=_json_value)
    return f"{escaped_json(text)}\n"


def require_number(value: object) -> float:
    """Return a number of a record as a float; anything else, even a text of digits, is refused.

    Raises
    ------
    TypeError, OverflowError
        When it is not a number, or too large for a float.
    """
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise TypeError(f"{quoted(value)} is not a number")
    return float(value)


def _json_value(value: object) -> Any:
    if isinstance(value, np.generic):
        return as_plain(value.item())
    if isinstance(value, PurePath):
        return value.as_posix()
    if isinstance(value, date):  # a datetime is one too
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} cannot be written as JSON")


def sha256_of(path: Path) -> str:
    """Fingerprint of a file's bytes.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    str
        SHA-256, 64 hexadecimal digits.

    Raises
    ------
    InputError
        When the file cannot be read.
    """
    try:
        with Path(path).open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise InputError(
            f"the file cannot be read: {error.strerror or error}.", where=str(path)
        ) from error
