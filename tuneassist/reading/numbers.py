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
    plain = text
    if decimal == ",":
        plain = text.str.replace(r"\.(?=\d{3}(?:\D|$))", "", regex=True)
        plain = plain.str.replace(",", ".", regex=False)
    else:
        plain = text.str.replace(r",(?=\d{3}(?:\D|$))", "", regex=True)
    values = pd.to_numeric(plain.mask(is_empty), errors="coerce").to_numpy(dtype=float)
    is_text = np.isnan(values) & ~is_empty
    first = int(np.argmax(is_text)) if is_text.any() else 0
    example = (first, str(text.iloc[first])) if is_text.any() else (0, "")
    return Cells(values, text, int(is_text.sum()), example)
