"""Foreign text made safe to show: headers, labels, file names, user input, stored text.

All such text goes through one of these functions, so that it cannot move a cursor, change the
reading direction, hide itself, forge a line, fill a screen or become a formula in a spreadsheet.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import islice

NAME_LENGTH = 300
"""Characters shown of one name or path; most systems admit 255 in a file's name. [1]"""
QUOTE_LENGTH = 80
"""Characters quoted of a cell or a header: the longest of real loggers have about 60. [1]"""
SENTENCE_LENGTH = 2000
"""Characters of one sentence, note or reason: a screen of text. [1]"""
LISTED = 12
"""Names in one list. [1]"""
INSTEAD = "?"
"""Replaces a character that may not be shown."""
_GAP = " ... "
_TAIL_SHARE = 3  # a third of a shortened text is its end
_HIDDEN = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]"
)
"""Invisible characters that Python counts as printable: fillers, joiners and selectors of the
Unicode property Default_Ignorable_Code_Point, and the blank of Braille."""
_FORMULA = re.compile(r"(^|;)(?='*[\s\"]*[=+\-@\uff1d\uff0b\uff0d\uff20])")
"""Where a spreadsheet would start a formula: at the start of a cell, and after a semicolon, which
separates cells where commas are decimal marks; the wide forms of the signs count too."""
_GUARDED = re.compile(r"(^|;)'(?='*[\s\"]*[=+\-@\uff1d\uff0b\uff0d\uff20])")
_BEYOND_ASCII = re.compile(r"[^\x00-\x7e]")
_SURROGATE = re.compile("[\ud800-\udfff]")


def inert(text: object, *, instead: str = INSTEAD) -> str:
    r"""Replace characters that affect a terminal, a page or the reading of a text.

    Control, direction and invisible characters and lone surrogates are replaced; line ends, tabs
    and spaces of every width become one plain space each.

    Parameters
    ----------
    text
        Foreign text.
    instead
        Replaces each such character.

    Returns
    -------
    str
        One line.

    Examples
    --------
    >>> inert("a\x1b[2Jb\u202ec\nd\u3164")
    'a?[2Jb?c d?'
    """
    words = str(text)
    if words.isprintable() and (words.isascii() or not _HIDDEN.search(words)):
        return words
    return "".join(_shown(mark, instead) for mark in words)


def _shown(mark: str, instead: str) -> str:
    if mark.isspace():
        return " "
    return mark if mark.isprintable() and not _HIDDEN.match(mark) else instead


def clipped(text: str, most: int) -> str:
    """Shorten a text to a number of characters; its beginning and its end stay.

    Examples
    --------
    >>> clipped("abcdefghijklmnopqrstuvwxyz", 17)
    'abcdefgh ... wxyz'
    """
    if len(text) <= most:
        return text
    tail = (most - len(_GAP)) // _TAIL_SHARE
    return f"{text[: most - len(_GAP) - tail]}{_GAP}{text[len(text) - tail :]}"


def one_line(text: object, most: int = SENTENCE_LENGTH) -> str:
    """Return foreign text as one line of bounded length."""
    return inert(clipped(str(text), most))


def quoted(text: object, most: int = QUOTE_LENGTH) -> str:
    r"""Return a cell, a header or a number in quotation marks, shortened.

    Examples
    --------
    >>> quoted("Lambda\t(1)")
    "'Lambda\\t(1)'"
    """
    return repr(clipped(str(text), most))


def listed(names: Iterable[object], most: int = LISTED) -> str:
    """Return the first names as a list in words, and how many more there are.

    Examples
    --------
    >>> listed(["a.csv", "b.csv", "c.csv"], most=2)
    'a.csv, b.csv and 1 more'
    """
    left = iter(names)
    first = ", ".join(one_line(name, NAME_LENGTH) for name in islice(left, most))
    more = sum(1 for _ in left)
    return f"{first} and {more:,} more" if more else first


def sheet_text(text: str) -> str:
    """Return a cell of text that no spreadsheet takes for a formula, on one line.

    An apostrophe goes before every place at which one could start, also where the file is split
    at semicolons. `from_sheet_text` removes them.

    Examples
    --------
    >>> sheet_text("=1+1; @SUM(A1); lean")
    "'=1+1;' @SUM(A1); lean"
    """
    return _FORMULA.sub(r"\1'", inert(text))


def from_sheet_text(text: str) -> str:
    """Return the text given to `sheet_text`, except for the characters that `inert` replaces.

    Examples
    --------
    >>> from_sheet_text("'=1+1;' @SUM(A1); lean")
    '=1+1; @SUM(A1); lean'
    """
    return _GUARDED.sub(r"\1", text)


def escaped_json(text: str) -> str:
    r"""Escape in a JSON text the characters that `inert` replaces; its meaning is unchanged.

    A lone surrogate, as in a file name without an encoding, becomes the replacement character, so
    that every reader accepts the text.

    Examples
    --------
    >>> escaped_json('"caf\u00e9 \u202e\x7f\udce9"')
    '"café \\u202e\\u007f\\ufffd"'
    """
    return text if text.isascii() and "\x7f" not in text else _BEYOND_ASCII.sub(_escape, text)


def _escape(found: re.Match[str]) -> str:
    mark = found[0]
    if mark.isprintable() and not _HIDDEN.match(mark):
        return mark
    if _SURROGATE.match(mark):
        return "\\ufffd"
    units = mark.encode("utf-16-be").hex()
    return "".join(f"\\u{units[i : i + 4]}" for i in range(0, len(units), 4))
