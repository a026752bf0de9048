"""From the text of cells to numbers."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from tuneassist.reading.log import Cells

BLANKS = (
    "", "-", "--", "---", "----", "n/a", "N/A", "#N/A", "na", "NA", "nan", "NaN", "NAN", "-nan",
    "null", "NULL", "none", "None", "?", "*", "#NV", "inf", "-inf", "Inf", "-Inf", "Infinity",
    "1.#INF", "-1.#INF", "1.#QNAN", "-1.#IND", "#DIV/0!", "#VALUE!",
)  # fmt: skip
"""What loggers write where there is no number."""

NUMBER = re.compile(r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?")
CLOCK = re.compile(r"\d{1,2}:\d{2}")
_BLANK_SET = frozenset(blank.casefold() for blank in BLANKS)


def is_blank(cell: str) -> bool:
    """Tell whether a cell says that it holds nothing."""
    return cell.strip().casefold() in _BLANK_SET


def is_number(cell: str) -> bool:
    """Tell whether a cell is a number, with a decimal point or a decimal comma."""
    return NUMBER.fullmatch(cell.strip()) is not None


def parse_words(words: pd.Series[str], decimal: str) -> Cells:
    """Turn a column of text into numbers; what is neither number nor blank is counted.

    Parameters
    ----------
    words
        The cells.
    decimal
        "." or ",".
    """
    text = words.fillna("").str.strip()
    is_empty = text.str.casefold().isin(_BLANK_SET).to_numpy(dtype=bool)
    plain = _without_thousands(text, "." if decimal == "," else ",", decimal)
    if decimal == ",":
        plain = plain.str.replace(",", ".", regex=False)
    values = pd.to_numeric(plain.mask(is_empty), errors="coerce").to_numpy(dtype=float)
    is_text = np.isnan(values) & ~is_empty
    first = int(np.argmax(is_text)) if is_text.any() else 0
    example = (first, str(text.iloc[first])) if is_text.any() else (0, "")
    return Cells(values, text, int(is_text.sum()), example)


def _without_thousands(text: pd.Series[str], sign: str, decimal: str) -> pd.Series[str]:
    """Take the sign between thousands out of numbers that are grouped by it; 0,985 is none."""
    is_near = text.str.contains(sign, regex=False)
    if not is_near.any():
        return text
    sign, decimal = re.escape(sign), re.escape(decimal)
    grouped = rf"[-+]?[1-9]\d{{0,2}}(?:{sign}\d{{3}})+(?:{decimal}\d*)?"
    is_grouped = is_near & text.str.fullmatch(grouped)
    return text.mask(is_grouped, text.str.replace(sign, "", regex=True))


SIGNED = r"[-+]?\d*([.,])\d+(?:[eE][-+]?\d+)?"
GROUPED = r"[-+]?[1-9]\d{0,2}(?:[.,]\d{3})+"
"""Numbers with a decimal sign, and those among them whose sign may stand between thousands."""


def decimal_signs(words: pd.Series[str]) -> dict[str, str]:
    """Find the signs that cells can only mean as decimal, each with its first cell.

    Examples
    --------
    >>> decimal_signs(pd.Series(["1,234", "0,985", "ERR", "12,5"]))
    {',': '0,985'}
    """
    cells = words.str.strip()
    found = cells.str.extract(f"^{SIGNED}$")[0].mask(cells.str.fullmatch(GROUPED))
    is_seen = {sign: found.eq(sign).to_numpy(dtype=bool) for sign in (".", ",")}
    return {sign: str(cells.iloc[at.argmax()]) for sign, at in is_seen.items() if at.any()}
