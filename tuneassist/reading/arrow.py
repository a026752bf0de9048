"""A column of an Arrow table as numbers; what is no number is read as text."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from tuneassist.reading.log import Cells, Floats
from tuneassist.reading.numbers import parse_words

_PARTS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


def is_stamp(kind: Any) -> bool:
    """Tell whether a column's type is a moment or a length of time."""
    from pyarrow import types

    return bool(types.is_timestamp(kind) or types.is_duration(kind) or types.is_time(kind))


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

    if types.is_binary(column.type) or types.is_large_binary(column.type):
        texts = [None if cell is None else cell.hex() for cell in column.to_pylist()]
        column = pa.chunked_array([pa.array(texts, pa.string())])
    elif not (types.is_string(column.type) or types.is_large_string(column.type)):
        try:
            column = compute.cast(column, pa.string())
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError):  # a list or a structure
            column = pa.chunked_array([pa.array(map(str, column.to_pylist()), pa.string())])
    words = compute.cast(column, pa.string()).to_pandas()
    text: pd.Series[str] = words.astype(str).where(words.notna(), "")
    return text
