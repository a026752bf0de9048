"""Marks, colours and number formats of all output; no meaning depends on colour alone.

Blue and orange stay distinct under the common kinds of colour blindness (from memory; common
practice for diverging scales). The shades belong to the 256 colours that nearly every terminal
has. The sign repeats the colour and a mark shows the confidence, so that output without colour is
complete.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from rich.text import Text

from tuneassist.inert import SENTENCE_LENGTH, clipped, inert

CellMark = Literal["", "fair", "low", "none", "beyond", "held"]
"""Meaning of the mark beside a number; good confidence is the rule and has none."""
HELD = "!"
"""Mark of a cell that a rule held back."""
_MARKS: Mapping[str, str] = MappingProxyType({"good": "", "fair": "◐", "low": "○", "none": "*"})
BEYOND_WORDS = "beyond the outermost readings"
"""Legend of `Display.beyond`."""
_ASCII_MARKS: Mapping[str, str] = MappingProxyType(
    {"good": "", "fair": "=", "low": "?", "none": "*"}
)
UNSAFE_SHADES = ("black on color(223)", "black on color(215)", "black on color(172)")
"""Orange: the unsafe side for this engine, in rising depth."""
SAFE_SHADES = ("black on color(153)", "black on color(110)", "black on color(68)")
"""Blue: the safe side, in rising depth."""
STEPS_PCT = (1.0, 3.0, 6.0)
"""Sizes at which the shade deepens. [%]"""


@dataclass(frozen=True)
class Display:
    """Width and character set of the output.

    Parameters
    ----------
    width
        Columns of text. [1]
    is_ascii
        True where only plain ASCII can be written.
    has_color
        False where no colour is shown: legends then name none.
    """

    width: int = 80
    is_ascii: bool = False
    has_color: bool = True

    def confidence(self, word: str, *, is_beyond: bool = False) -> str:
        """Return the mark of a confidence word, or the one of a cell beyond the outermost holds."""
        if is_beyond and word != "none":
            return self.beyond
        return (_ASCII_MARKS if self.is_ascii else _MARKS)[word]

    def mark(self, meaning: CellMark) -> str:
        """Return the mark beside a number; empty for none."""
        if meaning == "held":
            return HELD
        if meaning == "beyond":
            return self.beyond
        return self.confidence(meaning) if meaning else ""

    @property
    def beyond(self) -> str:
        """Mark of a cell beyond the outermost holds: extrapolated, not interpolated."""
        return "^" if self.is_ascii else "△"

    @property
    def no_evidence(self) -> str:
        """Mark of a cell without evidence."""
        return "." if self.is_ascii else "·"

    @property
    def left_alone(self) -> str:
        """Mark of a cell without a target or without a value."""
        return "x" if self.is_ascii else "╳"

    def bar(self, share: float, *, width: int = 20) -> str:
        """Draw a share between 0 and 1; a share above zero has at least one character."""
        full = round(share * width)
        if share > 0:
            full = max(full, 1)
        return ("#" if self.is_ascii else "■") * full


def shade(value: float, *, unsafe_sign: int) -> str:
    """Return the style of a signed percentage.

    Parameters
    ----------
    value
        The percentage. [%]
    unsafe_sign
        Sign of the unsafe side for this engine: +1 or -1.
    """
    return style_of(depth_of(value, unsafe_sign=unsafe_sign))


def depth_of(value: float, *, unsafe_sign: int) -> int:
    """Return the depth of shade of a percentage; parameters as for `shade`.

    Returns
    -------
    int
        0 for none, else 1 to 3: positive on the unsafe side.

    Examples
    --------
    >>> [depth_of(x, unsafe_sign=-1) for x in (0.4, 2.0, -8.0, float("nan"))]
    [0, -1, 3, 0]
    """
    if not math.isfinite(value):
        return 0
    depth = sum(abs(value) >= step for step in STEPS_PCT)
    return depth if value * unsafe_sign > 0 else -depth


def style_of(depth: int) -> str:
    """Return the style for a depth from `depth_of`."""
    if depth == 0:
        return ""
    return UNSAFE_SHADES[depth - 1] if depth > 0 else SAFE_SHADES[-depth - 1]


def signed(value: float, *, wide: bool = False) -> str:
    """Write a percentage with its sign in at most five characters.

    Examples
    --------
    >>> [signed(x) for x in (3.14159, -0.04, 12.5, 308.4, float("nan"))]
    ['+3.1', '0.0', '+12.5', '+308', '']
    """
    if not math.isfinite(value):
        return ""
    text = f"{value:+z.1f}" if abs(value) < 99.95 or wide else f"{value:+z.0f}"
    return "0.0" if text == "+0.0" else text


def plain(text: object) -> str:
    """Make text from a file safe to show: clipped, without terminal control characters."""
    return inert(clipped(str(text), SENTENCE_LENGTH), instead=" ").strip()


def title(words: str) -> Text:
    """Return a section's heading."""
    return Text(f"\n{words}", style="bold")


def dim(words: str) -> Text:
    """Return text in a dimmed style."""
    return Text(words, style="dim")


def counted(n: int, one: str, many: str = "") -> str:
    """Return a number with its noun.

    Examples
    --------
    >>> counted(1, "log"), counted(1200, "row")
    ('1 log', '1,200 rows')
    """
    return f"{n:,} {one if n == 1 else many or one + 's'}"
