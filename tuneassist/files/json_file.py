"""Records read back from JSON: bounded, of plain values, and of the shape that was written.

msgspec checks the values against the fields of the objects that they become; it is loaded where a
record is read back. Setups in TOML are checked in `tuneassist.files.toml_table`, whose errors
say what to write instead.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import numpy as np

from tuneassist.errors import InputError, TuneassistError
from tuneassist.files.safe_files import read_bounded, snippet

_Kind = TypeVar("_Kind")

MAX_RECORD_BYTES = 16_000_000
"""Largest record read: that of a round with 200 logs on 64 x 64 cells takes under 5 MB. [byte]"""
MAX_DEPTH = 32
"""Deepest nesting of lists and tables: the program's own records have 6 levels. [1]"""
MAX_DIGITS = 18
"""Most digits of a whole number, so that it fits a 64-bit number. [1]"""


def read_record(path: Path, *, mend: str = "Restore it from a copy.") -> dict[str, Any]:
    """Read a JSON object from a file.

    Parameters
    ----------
    path
        The file.
    mend
        The remedy that a message names.

    Raises
    ------
    InputError
        When the file cannot be read, is too large, or is not a JSON object of plain values.
    """
    return parse_record(
        read_bounded(path, most=MAX_RECORD_BYTES, what="a record"), where=str(path), mend=mend
    )


def parse_record(data: bytes, *, where: str, mend: str = "") -> dict[str, Any]:
    """Return the JSON object that bytes hold; raises what `read_record` raises."""
    try:
        record = json.loads(
            data.decode("utf-8-sig"),
            object_pairs_hook=_once_each,
            parse_constant=_no_constant,
            parse_int=_whole,
            parse_float=_finite,
        )
    except RecursionError:
        raise InputError("the file is nested too deeply.", where=where, mend=mend) from None
    except ValueError as error:
        said = snippet(error, 120).rstrip(".")
        raise InputError(f"this is not valid JSON: {said}.", where=where, mend=mend) from error
    if not isinstance(record, dict):
        raise InputError("this is not a record of this program.", where=where, mend=mend)
    if is_deeper(record, MAX_DEPTH):
        raise InputError("the file is nested too deeply.", where=where, mend=mend)
    return record


def is_deeper(value: Any, most: int) -> bool:
    """Return whether lists and tables are nested deeper than so many levels."""
    level: list[Any] = [value]
    for _ in range(most):
        level = [item for one in level for item in _items(one) if isinstance(item, (dict, list))]
        if not level:
            return False
    return True


def _items(value: Any) -> Iterable[Any]:
    return value.values() if isinstance(value, dict) else value


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    record = dict(pairs)
    if len(record) < len(pairs):
        seen: set[str] = set()
        for name, _ in pairs:
            if name in seen:
                raise ValueError(f'the key "{snippet(name)}" appears twice')
            seen.add(name)
    return record


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is not a number")


def _whole(digits: str) -> int:
    if len(digits.lstrip("-")) > MAX_DIGITS:
        raise ValueError(f"{snippet(digits, 24)} is too large")
    return int(digits)


def _finite(digits: str) -> float:
    value = float(digits)
    if not abs(value) < float("inf"):
        raise ValueError(f"{snippet(digits, 24)} is too large")
    return value


def take(record: Mapping[str, Any], key: str, *kinds: type) -> Any:
    """Return a value of a record, its kind checked; True and False do not count as numbers.

    Parameters
    ----------
    record
        Plain values.
    key
        Name of the value.
    kinds
        Types that it may have; ``type(None)`` also allows a missing key.

    Raises
    ------
    ValueError
        When it is missing or of another kind; names the key.
    """
    if not isinstance(record, Mapping):
        raise ValueError(f'"{key}" is not inside a record')
    value = record.get(key)
    if key not in record and type(None) not in kinds:
        raise ValueError(f'the key "{key}" is missing')
    is_kind = isinstance(value, bool) and bool in kinds
    if not is_kind and (isinstance(value, bool) or not isinstance(value, kinds)):
        raise ValueError(f'"{key}" is {snippet(value)}, of the wrong kind')
    return value


def built(kind: type[_Kind], plain: Any) -> _Kind:
    """Build an object of plain values; inverse of `tuneassist.settings.as_plain`.

    Parameters
    ----------
    kind
        A dataclass: its fields' types are checked, those of the objects in it too. Unknown
        keys are ignored, and None in an array becomes nan.
    plain
        Plain values, as a record holds them.

    Raises
    ------
    ValueError
        When a value is missing or of another kind; names the key.
    TuneassistError
        An error of the object itself.
    """
    import msgspec

    try:
        return msgspec.convert(plain, kind, dec_hook=_array)
    except msgspec.ValidationError as error:
        if isinstance(error.__cause__, TuneassistError):
            raise error.__cause__ from None
        what, _, place = str(error).replace("`", "").partition(" - at $")
        key = f'"{snippet(place.lstrip("."))}": ' if place else ""
        raise ValueError(f"{key}{what[:1].lower()}{what[1:]}") from error


def _array(kind: Any, value: Any) -> Any:
    """Turn nested lists into numbers: arrays are the only fields that are not plain values."""
    return np.array(value, dtype=float)


def take_list(record: Mapping[str, Any], key: str, kind: type) -> list[Any]:
    """Return a list of a record whose items are all of one kind; raises as `take` does."""
    values: list[Any] = take(record, key, list)
    for value in values:
        if isinstance(value, bool) or not isinstance(value, kind):
            raise ValueError(f'"{key}" holds {snippet(value)}, of the wrong kind')
    return values


def take_words(record: Mapping[str, Any], key: str) -> dict[str, str]:
    """Return a table of texts; one that is missing is empty. Raises as `take` does."""
    table: dict[str, Any] = take(record, key, dict, type(None)) or {}
    for name in table:
        take(table, name, str)
    return table
