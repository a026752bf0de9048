"""What a header says: its words, its unit, and for a pressure whether it is gauge or absolute."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

from tuneassist.channels import CHANNELS, VOCABULARY, channels_called, plain_words
from tuneassist.units import UNITS, Reference, UnitReading, find_unit

_CLOSERS = {")": "(", "]": "[", "}": "{", ">": "<"}
_GROUP = re.compile(r"[\(\[\{<]([^\(\)\[\]\{\}<>]*)[\)\]\}>]")
# A unit that the name itself is or implies. "Equivalence ratio" is left out on purpose: loggers use
# it for lambda and for 1/lambda.
_IMPLIED = {
    "rpm": "rpm", "afr": "afr", "a/f": "afr", "lambda": "lambda", "λ": "lambda",
    "luftzahl": "lambda", "lambdawert": "lambda", "phi": "phi", "richesse": "phi",
}  # fmt: skip
_IMPLIED_WORD = re.compile(
    r"(?<![^\W\d_])(?:rpm|afr|a/f|lambda|λ|luftzahl|lambdawert|phi|richesse)(?![^\W\d_])"
)
# A header whose unit is of another quantity may mean the neighbour channel.
_NEIGHBOURS = {
    ("coolant_temp", "voltage"): "coolant_volts",
    ("vehicle_speed", "engine speed"): "rpm",
}
_SPEED_LETTER = ("n",)  # German for engine speed where its unit stands by; else a count of rows
# Bounded gaps: a header of nothing but blanks would be searched for ever.
_THOUSANDS = re.compile(
    r"[\(\[]?\s{0,3}(?:[x×*/]\s{0,3}1000|1000\s{0,3}[x×*])\s{0,3}[\)\]]?", re.IGNORECASE
)


@dataclass(frozen=True)
class Heading:
    """One column's header, read.

    Parameters
    ----------
    index
        Position of the column.
    text
        The header as the logger wrote it.
    words
        Plain words with everything but a unit in brackets.
    words_bare
        Plain words without the unit at the end either.
    unit
        Unit word, or None.
    unit_text
        What stands where a unit belongs, as written; kept when it is not a known unit.
    is_unit_marked
        The unit stands in brackets or in the unit row, so that it must be meant as one.
    reference
        "gauge" or "absolute" where the header says so.
    """

    index: int
    text: str
    words: tuple[str, ...]
    words_bare: tuple[str, ...]
    unit: str | None = None
    unit_text: str = ""
    is_unit_marked: bool = False
    reference: Reference | None = None


def read_heading(index: int, text: str, unit_cell: str = "") -> Heading:
    """Read a header and its cell of the unit row.

    Examples
    --------
    >>> heading = read_heading(0, "Inlet pressure abs (psi)")
    >>> heading.words_bare, heading.unit, heading.reference
    (('intake', 'pressure', 'abs'), 'psi', 'absolute')
    """
    thousands = _THOUSANDS.search(text)
    if thousands:
        plain = read_heading(index, _THOUSANDS.sub(" ", text), unit_cell)
        if channel_of(plain) == "rpm" and plain.unit in (None, "rpm"):
            said = thousands[0].strip("()[] ")
            return replace(plain, text=text, unit="krpm", unit_text=said, is_unit_marked=True)
    name, unit_text, reading = text, unit_cell.strip().strip("[](){}<>").strip(), None
    if unit_text:
        reading = find_unit(unit_text)
    if reading is None:
        name, found = _cut_brackets(text)
        reading = find_unit(found) if found else None
        unit_text = found or unit_text
    else:
        name = _cut_brackets(text)[0]
    if reading is not None and UNITS[reading.word].quantity == "number":
        reading, unit_text = None, ""  # "[-]" names no unit: the name may
    is_marked = bool(unit_text)
    words, bare = plain_words(name), plain_words(name)
    if reading is None and not is_marked:
        reading, unit_text, bare = _tail_unit(name, words)
    unit = reading.word if reading else None
    if unit is None and not is_marked:
        unit = _implied(name)
    reference = reading.reference if reading else None
    return Heading(
        index, text, words, bare, unit, unit_text, is_marked, reference or _reference(words)
    )


def _tail_unit(
    name: str, words: tuple[str, ...]
) -> tuple[UnitReading | None, str, tuple[str, ...]]:
    """Read a unit at the end of a name; a name that is a channel's as it stands keeps its end."""
    shorter, unit_text = _cut_tail(name)
    reading = find_unit(unit_text) if unit_text else None
    if reading is None:
        return None, "", words
    quantity = UNITS[reading.word].quantity
    whole = channels_called(words)
    if whole and CHANNELS[whole[0]].quantity not in (quantity, "number"):
        return None, "", words
    return reading, unit_text, plain_words(shorter)


def _implied(name: str) -> str | None:
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    units = {_IMPLIED[word] for word in _IMPLIED_WORD.findall(spaced.casefold())}
    return units.pop() if len(units) == 1 else None


def _reference(words: tuple[str, ...]) -> Reference | None:
    if "gauge" in words:
        return "gauge"
    return "absolute" if "abs" in words else None


def _groups(text: str) -> Iterator[tuple[int, int]]:
    """Yield the span of each group in brackets: the outermost at the end first, then the rest."""
    stripped = text.rstrip()
    if stripped and stripped[-1] in _CLOSERS:
        depth, closer = 0, stripped[-1]
        for place in range(len(stripped) - 1, -1, -1):
            depth += (stripped[place] == closer) - (stripped[place] == _CLOSERS[closer])
            if depth == 0:
                yield place, len(stripped)
                break
    for match in reversed(list(_GROUP.finditer(text))):
        yield match.span()


def _cut_brackets(text: str) -> tuple[str, str]:
    """Return the name without its unit in brackets, and that unit; a remark stays in the name."""
    spans = list(_groups(text))
    for start, end in spans:
        if find_unit(text[start + 1 : end - 1]):
            return f"{text[:start]} {text[end:]}", text[start + 1 : end - 1].strip()
    for start, end in spans:
        inner = text[start + 1 : end - 1].strip()
        if inner and not all(word in VOCABULARY for word in plain_words(inner)):
            return f"{text[:start]} {text[end:]}", inner
    return text, ""


def _cut_tail(name: str) -> tuple[str, str]:
    """Return the name without a unit at its end ("MAP kPa", "speed, km/h"), and that unit."""
    pieces = [p for p in re.split(r"[\s_,;:]+|(?<=\w)-(?=[A-Za-z°%])|(?<=\s)/(?=\s)", name) if p]
    for count in (2, 1):
        tail = " ".join(pieces[-count:])
        reading = find_unit(tail) if len(pieces) > count else None
        if reading and UNITS[reading.word].quantity != "number":
            return " ".join(pieces[:-count]), tail
    if name.rstrip().endswith("%"):
        return name.rstrip()[:-1], "%"
    return name, ""


def channel_of(heading: Heading) -> str | None:
    """Name the channel that a heading stands for; None when no phrase equals it.

    A unit at the end that is not in brackets counts as a unit only when the channel can have it:
    "Lambda min" is no lambda in minutes.

    Examples
    --------
    >>> channel_of(read_heading(0, "MAP_kPa")), channel_of(read_heading(0, "Lambda min"))
    ('manifold_pressure', None)
    """
    names = channels_called(heading.words) or (
        () if heading.words == heading.words_bare else _called_with_unit(heading)
    )
    quantity = UNITS[heading.unit].quantity if heading.unit else None
    if heading.words_bare == _SPEED_LETTER and quantity == "engine speed":
        return "rpm"
    if not names:
        return None
    name = names[0]
    if name == "manifold_pressure" and heading.reference == "gauge":
        return "boost"
    if name == "boost" and heading.reference == "absolute":
        return "manifold_pressure"
    return _NEIGHBOURS.get((name, quantity or ""), name)


def _called_with_unit(heading: Heading) -> tuple[str, ...]:
    quantity = UNITS[heading.unit].quantity if heading.unit else None
    return tuple(
        name
        for name in channels_called(heading.words_bare)
        if name == "load"
        or CHANNELS[name].quantity in (quantity, "number")
        or (name, quantity or "") in _NEIGHBOURS
    )
