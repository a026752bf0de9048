"""What a column's cells stand for where the setup says more than a unit: sensors and raw bytes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from tuneassist.errors import LogError
from tuneassist.reading.diagnostic import decode_answers
from tuneassist.reading.guard import MAX_TEXT_SHARE
from tuneassist.reading.log import Cells, Floats
from tuneassist.reading.picks import Pick

BEYOND_SHARE = 0.05
"""How far beyond a transfer's outer points, as a share of their distance, a reading is still the
sensor at its stop; farther out the wire is open or the column is another. [1]"""

BEYOND_MOST = 0.95
"""With more than this share of the readings beyond it the transfer is another sensor's. [1]"""
BEYOND_WORDS = "reading(s) beyond the setup's transfer were left out."


def sensed(pick: Pick, cells: Cells) -> Cells:
    """Return a column's cells in the pick's unit, through its transfer or its raw scaling.

    Parameters
    ----------
    pick
        The column, with the setup's entry.
    cells
        What stands in the file.
    """
    source = pick.source
    if source is None:
        return cells
    if source.raw is not None:
        return decode_answers(cells, int(source.raw, 16), is_hex=source.raw_as == "hex")
    if source.transfer is not None:
        numbers = transferred(cells.numbers, source.transfer)
        beyond = int((np.isnan(numbers) & ~np.isnan(cells.numbers)).sum())
        return replace(cells, numbers=numbers, beyond=beyond)
    return cells


def falls(pick: Pick) -> bool:
    """Tell whether the column falls where the channel rises, as with many sensors of heat."""
    pairs = pick.source.transfer if pick.source else None
    return pairs is not None and pairs[-1][1] < pairs[0][1]


def check_readings(pick: Pick, cells: Cells, found: Cells, *, where: str) -> None:
    """Refuse readings that the setup's entry cannot be for.

    Parameters
    ----------
    pick
        The column, with the setup's entry.
    cells, found
        What stands in the file, and what `sensed` made of it.
    where
        File and column.

    Raises
    ------
    LogError
        When nearly all lie beyond the transfer, or whole numbers are to be hexadecimal.
    """
    source, given = pick.source, int(np.isfinite(cells.numbers).sum())
    if source is None:
        return
    if source.transfer is not None and found.beyond > BEYOND_MOST * max(1, given):
        low, high = (float(q) for q in np.nanquantile(cells.numbers, [0.02, 0.98]))
        unit = f" {source.unit}" if source.unit else ""
        said = f"; the header says {pick.heading.unit}" if pick.heading.unit else ""
        raise LogError(
            f"readings between {low:g} and {high:g} lie beyond the transfer, which goes from "
            f"{source.transfer[0][0]:g} to {source.transfer[-1][0]:g}{unit}{said}.",
            where=where,
            mend=f"Give channels.{pick.channel}.transfer in what the column holds.",
        )
    is_hex = source.raw is not None and source.raw_as == "hex"
    if is_hex and _are_whole_numbers(cells, found):
        raise LogError(
            "the column holds whole numbers and no bytes in hexadecimal.",
            where=where,
            mend=f'Write raw_as = "number" in channels.{pick.channel}, if they are 256 A + B.',
        )


def _are_whole_numbers(cells: Cells, found: Cells) -> bool:
    """Tell whether the column is of numbers, or what cannot be read as bytes is whole numbers."""
    if cells.words is None:
        return True
    numbers = pd.to_numeric(cells.words, errors="coerce").to_numpy(dtype=float)
    is_wrong = np.isnan(found.numbers) & np.isfinite(numbers)
    filled = int(np.isfinite(found.numbers).sum()) + found.text_count
    return bool(
        found.text_count > MAX_TEXT_SHARE * filled
        and is_wrong.sum() > 0.9 * found.text_count
        and (numbers[is_wrong] == np.floor(numbers[is_wrong])).all()
    )


def sensed_note(pick: Pick, found: Cells) -> str:
    """Say what was done; empty where nothing was."""
    source = pick.source
    if source is None:
        return ""
    what = f"Column {pick.heading.text!r}:"
    if source.raw is not None:
        return f"{what} raw bytes became {pick.unit} by the scaling of parameter {source.raw}."
    if source.transfer is None:
        return ""
    (low, first), (high, last) = source.transfer[0], source.transfer[-1]
    unit = "" if source.unit in (None, "1") else f" {source.unit}"
    return (
        f"{what} {low:g} to {high:g}{unit} became {first:g} to {last:g} "
        f"{source.transfer_unit} by the setup's transfer."
        + (f" {found.beyond} {BEYOND_WORDS}" if found.beyond else "")
    )


def transferred(values: Floats, pairs: tuple[tuple[float, float], ...]) -> Floats:
    """Look readings up in a sensor's transfer.

    Parameters
    ----------
    values
        Readings, nan stays nan. [``unit`` of the entry]
    pairs
        Reading and what it stands for, readings rising.

    Returns
    -------
    numpy.ndarray
        Straight between pairs, held at the outer ones; nan beyond `BEYOND_SHARE`.
        [``transfer_unit``]

    Examples
    --------
    >>> transferred(np.array([-0.1, 0.0, 2.5, 5.1, 9.0]), ((0.0, 0.68), (5.0, 1.36))).round(3)
    array([0.68, 0.68, 1.02, 1.36,  nan])
    """
    table = np.asarray(pairs, dtype=float)
    slack = BEYOND_SHARE * (table[-1, 0] - table[0, 0])
    with np.errstate(invalid="ignore"):
        is_on = (values >= table[0, 0] - slack) & (values <= table[-1, 0] + slack)
    found = np.interp(values, table[:, 0], table[:, 1])
    return np.where(is_on, found, np.nan)
