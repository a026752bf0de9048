"""Notes on many logs, each said once: what repeats from log to log is one sentence with names.

A session of sixty drives says the same sixty times, with another name and other numbers. Here such
notes become one, with the first names and the note with the largest figure in full; what each log
says stands in the record of that log.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tuneassist.inert import listed

#: Notes that are alike but for their numbers become one from so many on: three can be read. [1]
MANY = 4
#: Logs named in one note; of more, only their number is said. [1]
FIRST_NAMES = 3
_LOG = "\0"  # stands for a log's name; no text of ours holds it
_BEFORE_NAME = re.compile(r"\blog ")
#: Quoted headers tell columns apart and keep their numbers; all other numbers may differ.
_QUOTED_OR_NUMBER = re.compile(r"(?<!\w)'[^']*'|\"[^\"]*\"|\d[\d.,]*")


@dataclass(frozen=True)
class _Note:
    """A note, the logs that it names, what it says of them, and its first figure."""

    text: str
    names: tuple[str, ...]
    words: str
    kind: str
    figure: float


def said_once(notes: Sequence[str], names: Sequence[str]) -> tuple[str, ...]:
    """Make one note of those that differ only in the log and in numbers.

    Parameters
    ----------
    notes
        Sentences; one on a log begins with its name and a colon, or has it behind the word "log".
    names
        Names of all logs.

    Returns
    -------
    tuple of str
        In the order in which each was first said.

    Examples
    --------
    >>> said_once(["a.csv: cold", "b.csv: cold"], ["a.csv", "b.csv", "c.csv"])
    ('a.csv, b.csv: cold',)
    >>> said_once([f"{n}.csv: {n} rows lost" for n in range(5)], [f"{n}.csv" for n in range(5)])
    ('in all 5 logs, such as 4.csv: 4 rows lost',)
    """
    find = _Names(names)
    groups: dict[str, list[_Note]] = {}
    for text in dict.fromkeys(notes):
        note = _read(text, find)
        groups.setdefault(note.kind, []).append(note)
    return tuple(said for group in groups.values() for said in _said(group, len(set(names))))


def unusable_notes(unusable: Mapping[str, str], used: Sequence[str]) -> tuple[str, ...]:
    """Say which logs cannot be used and why, each reason once.

    Parameters
    ----------
    unusable
        Log names with the reason.
    used
        Names of the other logs.
    """
    notes = [f"{name}: {why}" for name, why in unusable.items()]
    return tuple(
        f"set aside, cannot be used: {said}" for said in said_once(notes, [*unusable, *used])
    )


class _Names:
    """Finds logs' names in notes: at the start, and behind the word "log"."""

    def __init__(self, names: Sequence[str]) -> None:
        self._names = frozenset(names)
        self._lengths = sorted({len(name) for name in self._names}, reverse=True)

    def at(self, text: str, start: int) -> str:
        """Return the longest name that stands there as a word; empty where none does."""
        ends = (start + length for length in self._lengths)
        found = (text[start:end] for end in ends if not text[end : end + 1].isalnum())
        return next((name for name in found if name in self._names), "")


def _read(text: str, names: _Names) -> _Note:
    found, pieces, done = list[str](), list[str](), 0
    for start in (0, *(place.end() for place in _BEFORE_NAME.finditer(text))):
        name = names.at(text, start)
        if name and start >= done:
            pieces += [text[done:start], _LOG]
            found.append(name)
            done = start + len(name)
    words = "".join((*pieces, text[done:]))
    numbers = [part for part in _QUOTED_OR_NUMBER.findall(words) if part[0].isdigit()]
    kind = _QUOTED_OR_NUMBER.sub(lambda part: "#" if part[0][0].isdigit() else part[0], words)
    return _Note(text, tuple(found), words, kind if found else text, _figure(numbers))


def _figure(numbers: Sequence[str]) -> float:
    try:
        return float(numbers[0].rstrip(".,").replace(",", "")) if numbers else 0.0
    except ValueError:
        return 0.0


def _said(group: Sequence[_Note], logs: int) -> list[str]:
    """Say a group of notes that are alike."""
    first = group[0]
    names = list(dict.fromkeys(name for note in group for name in note.names))
    is_same = len({note.words for note in group}) == 1
    is_ahead = first.words.startswith(f"{_LOG}: ") and first.words.count(_LOG) == 1
    if len(group) > 1 and is_same and is_ahead:
        return [f"{_about(names, logs)}: {first.words.removeprefix(f'{_LOG}: ')}"]
    if len(group) < MANY:
        return [note.text for note in group]
    largest = max(group, key=lambda note: note.figure)
    return [f"{_about(names, logs)}, such as {largest.text}"]


def _about(names: Sequence[str], logs: int) -> str:
    if len(names) <= FIRST_NAMES:
        return listed(names)
    if len(names) == logs:
        return f"in all {logs} logs"
    return f"in {len(names)} logs ({listed(names, FIRST_NAMES)})"
