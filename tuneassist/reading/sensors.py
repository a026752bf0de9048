"""What a column's cells stand for where the setup says more than a unit: sensors and raw bytes."""

from __future__ import annotations

import numpy as np

from tuneassist.reading.diagnostic import decode_answers
from tuneassist.reading.log import Cells, Floats
from tuneassist.reading.picks import Pick

BEYOND_SHARE = 0.05
"""How far beyond a transfer's outer points, as a share of their distance, a reading is still the
sensor at its stop; farther out the wire is open or the column is another. [1]"""


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
        return Cells(numbers, cells.words, cells.text_count, cells.text_example)
    return cells


def falls(pick: Pick) -> bool:
    """Tell whether the column falls where the channel rises, as with many sensors of heat."""
    pairs = pick.source.transfer if pick.source else None
    return pairs is not None and pairs[-1][1] < pairs[0][1]


def sensed_note(pick: Pick) -> str:
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
    return (
        f"{what} {low:g} to {high:g} {source.unit or ''} became {first:g} to {last:g} "
        f"{source.transfer_unit} by the setup's transfer."
    ).replace("  ", " ")


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
