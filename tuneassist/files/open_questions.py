"""Questions that a setup leaves open: a "?" in place of a value.

What nobody has answered is not guessed: such a setup is refused, and every question is named.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from tuneassist.channels import CHANNELS
from tuneassist.errors import SetupError
from tuneassist.files.toml_table import TomlTable
from tuneassist.inert import one_line
from tuneassist.units import FUELS, units_of

OPEN = "?"
"""Stands where a value has to be given."""
MOST_NAMED = 20
"""Open questions that one message names. [1]"""
_KEY_LENGTH = 60  # letters of a key that a message shows
_ASKED: Mapping[str, str] = {
    "engine.fuel": f"which fuel is burnt: {', '.join(FUELS)}",
    "engine.ignition": 'what lights the fuel: "spark" or "compression"',
    "engine.afr_stoich": "which AFR does the gauge show at lambda 1: 14.7 on the petrol scale, or "
    "the fuel's own",
    "axes.rpm": "the rpm breakpoints of the controller's table, from low to high",
    "axes.load": "the load breakpoints of the controller's table, from low to high",
    "axes.load_unit": "in which unit are the load breakpoints",
    "target.table": "the wanted lambda: one row per rpm breakpoint",
}


class OpenQuestionsError(SetupError):
    """A setup in which questions are still open."""


@dataclass(frozen=True)
class Question:
    """A value that has to be given.

    Parameters
    ----------
    key
        Dotted key of the setup.
    text
        The question.
    choices
        The answers that fit; empty where any may.
    """

    key: str
    text: str
    choices: tuple[str, ...] = ()


def refuse_open(whole: TomlTable) -> None:
    """Refuse a setup with open questions, and name each of them.

    Parameters
    ----------
    whole
        The setup file.

    Raises
    ------
    OpenQuestionsError
        When any value is a "?".
    """
    keys = list(_open_keys(whole.values, ""))
    if not keys:
        return
    named = "; ".join(f"{one_line(key, _KEY_LENGTH)} ({asked(key)})" for key in keys[:MOST_NAMED])
    more = f"; and {len(keys) - MOST_NAMED} more" if len(keys) > MOST_NAMED else ""
    count = "1 question is" if len(keys) == 1 else f"{len(keys)} questions are"
    raise OpenQuestionsError(
        f"{count} open: {named}{more}.",
        where=whole.file,
        mend=f'Write the answer in place of each "{OPEN}".',
    )


def asked(key: str) -> str:
    """Return the question that a "?" at a key asks.

    Examples
    --------
    >>> asked("channels.lambda.unit")
    'which unit: lambda, afr or phi'
    """
    if key in _ASKED:
        return _ASKED[key]
    section, _, rest = key.partition(".")
    channel, _, last = rest.rpartition(".")
    if section == "channels" and last == "column":
        return "which column of the log, by its header"
    if section == "channels" and last == "unit" and channel in CHANNELS:
        units = units_of(CHANNELS[channel].quantity)
        return f"which unit: {', '.join(units[:-1])} or {units[-1]}" if units[1:] else "which unit"
    return "to be given"


def _open_keys(value: Any, key: str) -> Iterator[str]:
    if value == OPEN:
        yield key
    elif isinstance(value, dict):
        for name, item in value.items():
            yield from _open_keys(item, f"{key}.{name}" if key else name)
    elif isinstance(value, list) and any(item == OPEN for item in value):
        yield key
