"""Grids and setups that steps of a history bring in, and their details in its events."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tuneassist.errors import InputError

LOADED, RESTORED, SETUP_CHANGE = "loaded", "restored", "setup"
"""First part of the name of a grid loaded by hand, of one brought back, of a changed setup."""
FUEL_FILE = "fuel-to-take-away.csv"
"""A second grid, for the fuel table, in the folder of a boost step whose air must not rise."""
MOST_REASON = 500
"""Longest reason for a broken rule, and the most of it that an event may hold. [1]"""


@dataclass(frozen=True)
class GridEntry:
    """A whole grid that a step brought in: loaded after hand edits, or brought back.

    Parameters
    ----------
    name
        Name of its folder, such as "loaded-01" or "restored-01".
    made
        Identity of the folder.
    of
        Name of the grid that was edited, or that it is a copy of.
    source
        The file that it was read from; empty for one brought back.
    breaches
        The rules that it broke, in words.
    despite
        The tuner's reason to load it all the same.
    files
        Name and SHA-256 of each file of its folder.
    """

    name: str
    made: str
    of: str
    source: str = ""
    breaches: tuple[str, ...] = ()
    despite: str = ""
    files: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class SetupEntry:
    """A setup that replaced the one before.

    Parameters
    ----------
    name
        Name of its folder, such as "setup-01".
    made
        Identity of the folder.
    rests_on
        Fingerprint of all of it that the evidence depends on.
    source
        The file that it was read from.
    reason
        Why it was changed, as the tuner wrote it.
    breaches
        Its rules that the grid in the controller breaks, in words.
    """

    name: str
    made: str
    rests_on: str
    source: str = ""
    reason: str = ""
    breaches: tuple[str, ...] = ()


def change_details(entry: GridEntry | SetupEntry) -> dict[str, Any]:
    """Return the details of a change for its event, as plain values."""
    plain = {**entry.__dict__, "breaches": list(entry.breaches)}
    return {**plain, "files": dict(entry.files)} if isinstance(entry, GridEntry) else plain


def grid_entry(details: Mapping[str, Any]) -> GridEntry:
    """Read a grid's details back; raises `InputError` when one is missing or of another kind."""
    return GridEntry(
        name=text_of(details, "name"),
        made=text_of(details, "made"),
        of=text_of(details, "of"),
        source=text_of(details, "source"),
        breaches=_words(details.get("breaches")),
        despite=text_of(details, "despite"),
        files=files_of(details.get("files")),
    )


def setup_entry(details: object) -> SetupEntry:
    """Read a setup's details back; raises as `grid_entry` does."""
    if not isinstance(details, Mapping):
        raise InputError('an event has no valid "change".')
    return SetupEntry(
        name=text_of(details, "name"),
        made=text_of(details, "made"),
        rests_on=text_of(details, "rests_on"),
        source=text_of(details, "source"),
        reason=text_of(details, "reason"),
        breaches=_words(details.get("breaches")),
    )


def text_of(details: Mapping[str, Any], name: str) -> str:
    """Return a text of an event's details."""
    value = details.get(name)
    if not isinstance(value, str):
        raise InputError(f'an event has no valid "{name}".')
    return value


def files_of(record: object) -> tuple[tuple[str, str], ...]:
    """Return name and fingerprint of each file."""
    is_sound = isinstance(record, Mapping) and all(isinstance(v, str) for v in record.values())
    if not isinstance(record, Mapping) or not is_sound:
        raise InputError('an event has no valid "files".')
    return tuple((str(name), str(sha256)) for name, sha256 in record.items())


def _words(record: object) -> tuple[str, ...]:
    if not isinstance(record, list) or not all(isinstance(one, str) for one in record):
        raise InputError('an event has no valid "breaches".')
    return tuple(record)
