"""From the cells of a column to numbers: text, or a column of an Arrow table.

The text of a cell is a number, a blank or words; words are counted, never guessed at.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pandas as pd

from tuneassist.reading.log import Cells, Floats

BLANKS = (
    "", "-", "--", "---", "----", "n/a", "N/A", "#N/A", "na", "NA", "nan", "NaN", "NAN", "-nan",
    "null", "NULL", "none", "None", "?", "*", "#NV", "inf", "-inf", "Inf", "-Inf", "Infinity",
    "1.#INF", "-1.#INF", "1.#QNAN", "-1.#IND", "#DIV/0!", "#VALUE!",
)  # fmt: skip
"""What loggers write where there is no number."""

NUMBER = re.compile(r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?")
CLOCK = re.compile(r"\d{1,2}:\d{2}")
_BLANK_SET = frozenset(blank.casefold() for blank in BLANKS)


def is_blank(cell: str) -> bool:
    """Tell whether a cell says that it holds nothing."""
    return cell.strip().casefold() in _BLANK_SET


def is_number(cell: str) -> bool:
    """Tell whether a cell is a number, with a decimal point or a decimal comma."""
    return NUMBER.fullmatch(cell.strip()) is not None


def parse_words(words: pd.Series[str], decimal: str) -> Cells:
    """Turn a column of text into numbers; what is neither number nor blank is counted.

    Parameters
    ----------
    words
        The cells.
    decimal
        "." or ",".
    """
    text = words.fillna("").str.strip()
    is_empty = text.str.casefold().isin(_BLANK_SET).to_numpy(dtype=bool)
    plain = _without_thousands(text, "." if decimal == "," else ",", decimal)
    if decimal == ",":
        plain = plain.str.replace(",", ".", regex=False)
    values = pd.to_numeric(plain.mask(is_empty), errors="coerce").to_numpy(dtype=float)
    is_text = np.isnan(values) & ~is_empty
    first = int(np.argmax(is_text)) if is_text.any() else 0
    example = (first, str(text.iloc[first])) if is_text.any() else (0, "")
    return Cells(values, text, int(is_text.sum()), example)


def _without_thousands(text: pd.Series[str], sign: str, decimal: str) -> pd.Series[str]:
    """Take the sign between thousands out of numbers that are grouped by it; 0,985 is none."""
    is_near = text.str.contains(sign, regex=False)
    if not is_near.any():
        return text
    sign, decimal = re.escape(sign), re.escape(decimal)
    grouped = rf"[-+]?[1-9]\d{{0,2}}(?:{sign}\d{{3}})+(?:{decimal}\d*)?"
    is_grouped = is_near & text.str.fullmatch(grouped)
    return text.mask(is_grouped, text.str.replace(sign, "", regex=True))


SIGNED = r"[-+]?\d*([.,])\d+(?:[eE][-+]?\d+)?"
GROUPED = r"[-+]?[1-9]\d{0,2}(?:[.,]\d{3})+"
"""Numbers with a decimal sign, and those among them whose sign may stand between thousands."""


def decimal_signs(words: pd.Series[str]) -> dict[str, str]:
    """Find the signs that cells can only mean as decimal, each with its first cell.

    Examples
    --------
    >>> decimal_signs(pd.Series(["1,234", "0,985", "ERR", "12,5"]))
    {',': '0,985'}
    """
    cells = words.str.strip()
    found = cells.str.extract(f"^{SIGNED}$")[0].mask(cells.str.fullmatch(GROUPED))
    is_seen = {sign: found.eq(sign).to_numpy(dtype=bool) for sign in (".", ",")}
    return {sign: str(cells.iloc[at.argmax()]) for sign, at in is_seen.items() if at.any()}


_PARTS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


def is_stamp(kind: Any) -> bool:
    """Tell whether a column's type is a moment or a length of time."""
    from pyarrow import types

    return bool(types.is_timestamp(kind) or types.is_duration(kind) or types.is_time(kind))


def is_text(kind: Any) -> bool:
    """Tell whether a column's type is text or bytes, of whatever layout."""
    from pyarrow import types

    tests = ("string", "large_string", "string_view", "binary", "large_binary", "binary_view")
    named = (getattr(types, f"is_{test}", None) for test in tests)  # views came with pyarrow 16
    return any(test is not None and test(kind) for test in named)


def is_readable(kind: Any) -> bool:
    """Tell whether a column's type can be a logged channel: one number, moment or text per row."""
    from pyarrow import types

    if types.is_dictionary(kind):
        return not types.is_dictionary(kind.value_type) and is_readable(kind.value_type)
    plain = (
        types.is_integer,
        types.is_floating,
        types.is_null,
        types.is_boolean,
        types.is_decimal,
        types.is_date,
        is_stamp,
        is_text,
    )
    return any(test(kind) for test in plain)


def longest_text(array: Any) -> int:
    """Return the length of the longest text of an array, or of its dictionary. [bytes]

    Parameters
    ----------
    array
        A ``pyarrow.Array`` that has been validated.
    """
    from pyarrow import compute, types

    if types.is_dictionary(array.type):
        array = array.dictionary
    if not is_text(array.type) or not len(array):
        return 0
    if str(array.type).endswith("_view"):  # 16 bytes each, of which the first four are the length
        views = np.frombuffer(array.buffers()[1], dtype="<i4").reshape(-1, 4)
        lengths = views[array.offset : array.offset + len(array), 0]
        return int(lengths.max())
    return int(compute.max(compute.binary_length(array)).as_py() or 0)


def arrow_cells(column: Any, decimal: str = ".") -> Cells:
    """Return a column's cells.

    Parameters
    ----------
    column
        A ``pyarrow.ChunkedArray``. Moments become seconds.
    decimal
        Decimal sign of text.
    """
    import pyarrow as pa
    from pyarrow import compute, types

    kind = column.type
    if types.is_dictionary(kind):
        column = compute.cast(column, kind.value_type)
        kind = column.type
    if is_stamp(kind):
        whole = pa.int32() if types.is_time32(kind) else pa.int64()
        seconds = _floats(compute.cast(column, whole)) * _PARTS[kind.unit]
        return Cells(seconds, stamp="clock" if types.is_time(kind) else "moment")
    if types.is_integer(kind) or types.is_floating(kind) or types.is_null(kind):
        return Cells(_floats(column))
    if types.is_boolean(kind):
        return Cells(_floats(compute.cast(column, pa.int8())))
    if types.is_decimal(kind):
        return Cells(_floats(compute.cast(column, pa.float64())))
    return parse_words(_words(column), decimal)


def _floats(column: Any) -> Floats:
    import pyarrow as pa
    from pyarrow import compute

    numbers = compute.cast(column, pa.float64(), safe=False).to_numpy()
    return np.asarray(numbers, dtype=float)


def _words(column: Any) -> pd.Series[str]:
    import pyarrow as pa
    from pyarrow import compute, types

    if "binary" in str(column.type):
        texts = [None if cell is None else cell.hex() for cell in column.to_pylist()]
        column = pa.chunked_array([pa.array(texts, pa.string())])
    elif not (types.is_string(column.type) or types.is_large_string(column.type)):
        try:
            column = compute.cast(column, pa.string())
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError):  # what has no text of its own
            column = pa.chunked_array([pa.array(map(str, column.to_pylist()), pa.string())])
    words = compute.cast(column, pa.string()).to_pandas()
    text: pd.Series[str] = words.astype(str).where(words.notna(), "")
    return text
