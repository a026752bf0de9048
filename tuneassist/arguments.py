"""Checks of the arguments of Python calls, before any work begins."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TypeVar

from tuneassist.errors import InputError

_Kind = TypeVar("_Kind")


def file_path(value: object, *, error: type[InputError] = InputError) -> Path:
    """Return a file's path, given as a path or as text.

    Raises
    ------
    InputError
        When it is neither.

    Examples
    --------
    >>> file_path("grid.csv").name
    'grid.csv'
    """
    if isinstance(value, (str, os.PathLike)):
        text = os.fspath(value)
        if isinstance(text, str):
            return Path(text)
    raise error(
        f"{_named(value)} was given as a file name.", mend='Give a path, such as "car.toml".'
    )


def of_kind(
    value: object, kind: type[_Kind], *, what: str, mend: str, error: type[InputError] = InputError
) -> _Kind:
    """Return a value of the required type.

    Parameters
    ----------
    value
        The argument.
    kind
        The required type.
    what
        Name of the argument, for the message.
    mend
        How to get one.
    error
        Class of the error.

    Raises
    ------
    InputError
        When it has another type.
    """
    if isinstance(value, kind):
        return value
    raise error(f"{what}: a {kind.__name__} was needed, {_named(value)} was given.", mend=mend)


def _named(value: object) -> str:
    """Name the type of the argument."""
    return "None" if value is None else f"a {type(value).__name__}"
