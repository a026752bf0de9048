"""Columns that hold nothing in a long log's first part: what they hold behind it is looked up.

A channel that is blank at first and comes later must be there from the start, for a blank is no
measurement; one that stays blank must not, for everything else is worked out without it. Only the
rest of the file tells which it is, so that it is read once more, these columns alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from tuneassist.reading.log import Cells, Floats, Parts, Wanted
from tuneassist.reading.picks import Pick, quantity_of
from tuneassist.reading.sensors import sensed
from tuneassist.settings import Setup

_ENOUGH = 1000  # values by which a unit is judged


def tells(pick: Pick, numbers: Floats, setup: Setup | None) -> Floats:
    """Return the values that say something of a column: any number, without a unit not zero."""
    given = numbers[np.isfinite(numbers)]
    if pick.unit is None and quantity_of(pick.channel, setup) != "temperature":
        given = given[given != 0]
    return np.asarray(given)


def values_behind(
    parts: Parts,
    wanted: Callable[[Mapping[str, Pick]], Wanted],
    picks: Mapping[str, Pick],
    setup: Setup | None,
) -> dict[str, Cells]:
    """Look columns up behind the first part, until each has told enough or the log ends.

    Parameters
    ----------
    parts
        The log, open at its start.
    wanted
        Makes the reader's order out of picks.
    picks
        Channel to its column, those that tell nothing in the first part.
    setup
        The car's setup.

    Returns
    -------
    dict
        Channel to values, in the pick's unit; nothing for a column that never tells anything.
    """
    order = wanted(picks)
    parts.first(order)
    found: dict[str, list[Floats]] = {name: [] for name in picks}
    for piece in parts.more(order):
        for name, values in found.items():
            pick = picks[name]
            cells = sensed(pick, piece.cells[pick.heading.index])
            values.append(tells(pick, cells.numbers, setup))
        if all(sum(map(len, values)) >= _ENOUGH for values in found.values()):
            break
    return {
        name: Cells(np.concatenate(values))
        for name, values in found.items()
        if any(map(len, values))
    }
