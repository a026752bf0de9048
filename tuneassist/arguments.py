"""What a caller in Python hands in: held against what was asked for before any work begins."""

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
        said = os.fspath(value)
        if isinstance(said, str):
            return Path(said)
    raise error(
        f"{_named(value)} was given as a file name.", mend='Give a path, such as "car.toml".'
    )


def of_kind(
    value: object, kind: type[_Kind], *, what: str, mend: str, error: type[InputError] = InputError
) -> _Kind:
    """Return a value of the kind that is asked for.

    Parameters
    ----------
    value
        What was handed in.
    kind
        What it must be.
    what
        The argument's name, for the message.
    mend
        How to get one.
    error
        What is raised.

    Raises
    ------
    InputError
        When it is of another kind.
    """
    if isinstance(value, kind):
        return value
    raise error(f"{what}: a {kind.__name__} was needed, {_named(value)} was given.", mend=mend)


def _named(value: object) -> str:
    """Say what kind of thing was handed in."""
    return "None" if value is None else f"a {type(value).__name__}"
