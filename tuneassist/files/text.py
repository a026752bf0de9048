"""Numbers, tables and records as text, the same text every time, and the fingerprint of a file."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path, PurePath
from typing import Any, cast

import numpy as np
import pandas as pd

from tuneassist.errors import InputError
from tuneassist.settings import as_plain


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


def frame_csv(frame: pd.DataFrame, *, decimals: int = 4) -> str:
    r"""Write a frame as CSV: comma, point, ``\n``, one header row, no index.

    Parameters
    ----------
    frame
        The table; nan and None give an empty cell.
    decimals
        Floats are rounded to this many decimals. Four keep a percent far below what a control
        unit takes (0.1 %) and leave out the noise of binary arithmetic. [1]

    Returns
    -------
    str
        The file's content.

    Examples
    --------
    >>> frame_csv(pd.DataFrame({"rpm": [800.0], "step_pct": [0.1 + 0.2], "reason": ["lean, far"]}))
    'rpm,step_pct,reason\n800,0.3,"lean, far"\n'
    """
    number = cast("Callable[[object], str]", shortest_number)  # it is given floats only
    text = frame.round(decimals).to_csv(index=False, lineterminator="\n", float_format=number)
    return str(text)


def stable_json(record: Mapping[str, Any]) -> str:
    r"""Write a record as JSON, keys in their given order, so that equal records give equal text.

    Parameters
    ----------
    record
        Plain values, arrays, settings objects, paths and dates; nan and infinity become null.

    Returns
    -------
    str
        Two spaces of indent, letters beyond ASCII as they are, a line's end at the end.

    Examples
    --------
    >>> stable_json({"b": float("nan"), "a": np.array([1.5])})
    '{\n  "b": null,\n  "a": [\n    1.5\n  ]\n}\n'
    """
    plain = as_plain(record)
    return json.dumps(plain, ensure_ascii=False, indent=2, allow_nan=False, default=_json_value) + (
        "\n"
    )


def _json_value(value: object) -> Any:
    if isinstance(value, np.generic):
        return as_plain(value.item())
    if isinstance(value, PurePath):
        return value.as_posix()
    if isinstance(value, date):  # a datetime is one too
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} has no form in JSON")


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
