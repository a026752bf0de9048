"""Tables of a TOML file with their location, and settings objects built from them.

A settings dataclass is the only list of its keys: names, types and allowed words are read
from its fields.
"""

from __future__ import annotations

import contextlib
import difflib
import math
import re
import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from tuneassist.errors import InputError, SetupError
from tuneassist.files.json_file import is_deeper
from tuneassist.files.safe_files import SNIPPET, read_bounded, snippet

MAX_BYTES = 1_000_000
"""Larger files are not setups: a target of 4,096 cells takes some 40 kB. [byte]"""
MAX_DEPTH = 16
"""Deepest nesting of tables and lists: a setup has 4 levels. [1]"""
MAX_KEY_PARTS = 16
"""Most parts of a key with dots: a setup has 4. [1]"""
MAX_TABLES = 100
"""Most tables of one list, such as regions or tunes: every cell is checked against each. [1]"""
MAX_WHOLE = 2**63
_PART = r"""(?:[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+"""
_LONG_KEY = re.compile(rf"(?<![A-Za-z0-9_-])(?:{_PART}\.[ \t]*+){{{MAX_KEY_PARTS}}}")


@dataclass(frozen=True)
class TomlTable:
    """One table of a TOML file.

    Parameters
    ----------
    values
        Keys and values of the table.
    file
        The file, for messages.
    key
        Dotted name of the table; empty for the whole file.
    """

    values: Mapping[str, Any]
    file: str
    key: str = ""

    def __contains__(self, name: str) -> bool:
        return name in self.values

    def dotted(self, name: str) -> str:
        """Full name of one of the table's keys."""
        return f"{self.key}.{name}" if self.key else name

    def error(self, name: str, problem: str, mend: str = "") -> SetupError:
        """Build an error about one of the table's keys."""
        return SetupError(
            problem, where=f"{self.file}, key {snippet(self.dotted(name))}", mend=mend
        )

    def table(self, name: str) -> TomlTable:
        """Return the table under a key; an empty one where the key is missing."""
        value = self.values.get(name, {})
        if not isinstance(value, dict):
            right = f"[{self.dotted(name)}]" if not self.key else f"{name} = {{ ... }}"
            raise self.error(name, f"{shown(value)} is not a table.", f"Write it as {right}.")
        return TomlTable(value, self.file, self.dotted(name))

    def tables(self, name: str) -> list[TomlTable]:
        """Return the list of tables under a key, numbered from 1."""
        value = self.values.get(name, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            head = f"[[{self.dotted(name)}]]"
            raise self.error(name, "this is not a list of tables.", f"Start each with {head}.")
        if len(value) > MAX_TABLES:
            problem = f"there are {len(value)} of these tables."
            raise self.error(name, problem, f"At most {MAX_TABLES} are allowed.")
        place = self.dotted(name)
        return [TomlTable(item, self.file, f"{place}[{n}]") for n, item in enumerate(value, 1)]

    def numbers(self, name: str, *, allow_nan: bool = False) -> list[float]:
        """Return a list of numbers."""
        value = self.values[name]
        if not isinstance(value, list):
            raise self.error(name, f"{shown(value)} is not a list.", "Write [ 1, 2, 3 ].")
        return self.checked_numbers(name, value, allow_nan=allow_nan)

    def checked_numbers(
        self, name: str, values: list[Any], *, allow_nan: bool = False
    ) -> list[float]:
        """Return the values of a list as floats, or raise for the first that is not a number."""
        for place, value in enumerate(values, start=1):
            is_number = _is_number(value) and not math.isinf(value)
            if not is_number or (math.isnan(value) and not allow_nan):
                right = "Write a number, or nan for no value." if allow_nan else "Write a number."
                raise self.error(name, f"value {place} is {shown(value)}.", right)
        return [float(value) for value in values]

    def check_names(self, known: Collection[str], *, hint: Mapping[str, str] | None = None) -> None:
        """Raise for the first unknown key, with the nearest known ones."""
        for name in self.values:
            if name not in known:
                what = f"Known here: {', '.join(known)}."
                elsewhere = (hint or {}).get(name, "")
                near = elsewhere or nearest(name, known)
                raise self.error(name, "this key is not known.", f"{near} {what}".strip())


def read_toml(path: Path) -> TomlTable:
    """Read a TOML file; a byte order mark is ignored.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    TomlTable
        The whole file.

    Raises
    ------
    SetupError
        When the file cannot be read or is not TOML; names file and line.
    """
    return toml_of(read_bounded(path, most=MAX_BYTES, what="a setup", error=SetupError), path)


def toml_of(data: bytes, path: Path) -> TomlTable:
    """Return the table that a TOML file's bytes hold; raises what `read_toml` raises."""
    try:
        text = data.decode("utf-8-sig")
        _refuse_long_key(text, path)
        values = tomllib.loads(text)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise SetupError(
            "the file is not UTF-8 text.",
            where=f"{path}, line {line}",
            mend="Save the setup as UTF-8.",
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(path, data, str(error)) from error
    except SetupError:
        raise
    except ValueError as error:  # a number with thousands of digits
        raise SetupError(
            f"a number is too long: {snippet(error, 120)}.", where=str(path)
        ) from error
    except RecursionError:
        raise _too_deep(path) from None
    if is_deeper(values, MAX_DEPTH):
        raise _too_deep(path)
    _refuse_long_number(values, path)
    return TomlTable(values, str(path))


def _too_deep(path: Path) -> SetupError:
    return SetupError(
        "the brackets are nested too deeply.", where=str(path), mend="Check the brackets."
    )


def _refuse_long_key(text: str, path: Path) -> None:
    """Refuse a key of very many parts, since the parser's time grows with their square."""
    found = _LONG_KEY.search(text)
    if found:
        line = text.count("\n", 0, found.start()) + 1
        raise SetupError(
            f"a key has more than {MAX_KEY_PARTS} parts.",
            where=f"{path}, line {line}",
            mend="No key of a setup has more than four, such as limits.ceilings.boost.hard.",
        )


def _refuse_long_number(value: Any, path: Path, key: str = "") -> None:
    """Refuse a whole number beyond 64 bits, the most that TOML asks of a reader."""
    if isinstance(value, dict):
        for name, item in value.items():
            _refuse_long_number(item, path, f"{key}.{name}" if key else name)
    elif isinstance(value, list):
        for item in value:
            _refuse_long_number(item, path, key)
    elif isinstance(value, int) and not -MAX_WHOLE <= value <= MAX_WHOLE:
        raise SetupError(
            "a whole number is too large.",
            where=f"{path}, key {snippet(key)}",
            mend="Write a smaller number.",
        )


def _syntax_error(path: Path, data: bytes, said: str) -> SetupError:
    found = re.search(r"\(at line (\d+), column (\d+)\)", said)
    line = int(found.group(1)) if found else data.count(b"\n") + 1
    what = snippet(said[: found.start()].strip() if found else said.partition(" (at ")[0], 120)
    return SetupError(
        f"this is not valid TOML: {what}.",
        where=f"{path}, line {line}",
        mend='Write key = value, texts in "quotation marks", numbers with a decimal point.',
    )


def nearest(name: str, known: Collection[str]) -> str:
    """Suggest the nearest known words; empty when none is near."""
    by_fold = {word.casefold(): word for word in known}
    close = difflib.get_close_matches(name[:SNIPPET].casefold(), by_fold, n=3, cutoff=0.55)
    return f"Did you mean {' or '.join(by_fold[word] for word in close)}?" if close else ""


def shown(value: object) -> str:
    """Show a value of the file in a message, shortened."""
    if isinstance(value, bool):
        return str(value).lower()
    return snippet(f'"{value}"' if isinstance(value, str) else value)


def keys_of(settings: type) -> tuple[str, ...]:
    """Return the keys that a settings dataclass knows."""
    return tuple(field.name for field in fields(settings))


def field_values(settings: type, table: TomlTable, *, skip: Collection[str] = ()) -> dict[str, Any]:
    """Return a table's values for the fields of a settings dataclass, types checked.

    Parameters
    ----------
    settings
        The dataclass.
    table
        The table; keys that are not fields are left to `TomlTable.check_names`.
    skip
        Fields that the caller reads itself.

    Returns
    -------
    dict
        Field name to value, of those that the table gives.

    Raises
    ------
    SetupError
        When a value has the wrong type or is not an allowed word.
    """
    hints = get_type_hints(settings)
    return {
        name: _checked(table, name, hints[name])
        for name in keys_of(settings)
        if name in table and name not in skip
    }


def dotted_keys(values: Mapping[str, Any], above: str = "") -> Iterator[str]:
    """List every key below the sections, and the tables that contain keys."""
    for name, value in values.items():
        key = f"{above}.{name}" if above else name
        if above:
            yield key
        if isinstance(value, dict):
            yield from dotted_keys(value, key)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for number, item in enumerate(value, start=1):
                yield from dotted_keys(item, f"{key}[{number}]")


@contextlib.contextmanager
def errors_located(table: TomlTable, said_as: str = "") -> Iterator[None]:
    """Add file and table to the errors of an object that is built from the table.

    Parameters
    ----------
    table
        Where the object's values come from.
    said_as
        What the object calls its section, where that is not the table's key.
    """
    try:
        yield
    except InputError as error:
        if error.where.startswith(table.file):
            raise
        problem = error.problem
        if said_as:
            problem = problem.replace(f"{said_as}.", f"{table.key}.", 1)
        where = f"{table.file}, key {table.key}"
        raise SetupError(problem, where=where, mend=error.mend) from error


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _checked(table: TomlTable, name: str, hint: Any) -> Any:
    """Check one value against the type of its field."""
    value = table.values[name]
    kinds = get_args(hint) if get_origin(hint) in (Union, UnionType) else (hint,)
    wanted = next(kind for kind in kinds if kind is not type(None))
    if get_origin(wanted) is Literal:
        return _checked_word(table, name, get_args(wanted))
    if get_origin(wanted) is tuple:
        numbers = table.numbers(name)
        if len(numbers) != len(get_args(wanted)):
            raise table.error(
                name, f"{shown(value)} has {len(numbers)} values.", "Write [from, to]."
            )
        return tuple(numbers)
    if wanted is float and _is_number(value) and math.isfinite(value):
        return float(value)
    if wanted is int and _is_number(value) and isinstance(value, int):
        return value
    if wanted in (str, bool) and isinstance(value, wanted):
        return value
    raise table.error(name, f"{shown(value)} has the wrong type.", _RIGHT[wanted])


_RIGHT: dict[Any, str] = {
    float: "Write a number, with a decimal point and without quotation marks.",
    int: "Write a whole number.",
    str: 'Write a text in "quotation marks".',
    bool: "Write true or false.",
}


def _checked_word(table: TomlTable, name: str, words: tuple[str, ...]) -> str:
    value = table.values[name]
    if isinstance(value, str) and value in words:
        return value
    near = nearest(value, words) if isinstance(value, str) else ""
    choice = " or ".join(f'"{word}"' for word in words)
    raise table.error(name, f"{shown(value)} is not allowed.", f"{near} Write {choice}.".strip())
