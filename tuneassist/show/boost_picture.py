"""Boost before and after a step as a map, in the unit in which the tuner thinks of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.correction.boost_forecast import (
    AFTER,
    BASIS,
    EARLIER,
    NOW,
    UNREAD,
    boost_in,
    pressure_unit,
)
from tuneassist.grid import Axes
from tuneassist.reading import Log
from tuneassist.settings import Setup
from tuneassist.show.cell_picture import CellPicture, CellShown
from tuneassist.show.display import depth_of
from tuneassist.units import UNITS

MORE_BOOST = 1
"""Sign of the unsafe way of boost."""
BROUGHT = "~"
"""Before a boost that was read with an earlier grid."""
FINEST_KPA = 1.0
"""Boost is shown to about this much: gauges and controllers take no less. [kPa]"""
UNKNOWN = CellShown("nothing", note="no pressure was logged here")


def boost_unit(
    setup: Setup, logs: Sequence[Log] = (), as_read: Sequence[Mapping[str, Any]] = ()
) -> str:
    """Return the unit in which the tuner thinks of boost.

    Parameters
    ----------
    setup
        Counts first.
    logs
        As read.
    as_read
        Their records in a ``proposal.json``, where they are not at hand.
    """
    logged = {
        str(one.get("channel")): str(one.get("unit_read"))
        for record in as_read
        for one in record.get("channels", ())
        if one.get("unit_read")
    }
    logged |= {name: unit for log in reversed(logs) for name, unit in log.units.items()}
    return pressure_unit(setup, logged)


def boost_number(kpa: float, unit: str) -> str:
    """Write a gauge boost in a unit, without its word.

    Examples
    --------
    >>> boost_number(124.1, "psi"), boost_number(124.1, "bar"), boost_number(124.1, "kPa")
    ('18.0', '1.24', '124')
    """
    decimals = max(0, math.ceil(math.log10(UNITS[unit].factor / FINEST_KPA)))
    return f"{float(boost_in(unit, kpa)):z.{decimals}f}"


def boost_picture(cells: pd.DataFrame, axes: Axes, unit: str, *, arrow: str) -> CellPicture:
    """Show boost now, and after the step where it changes.

    Parameters
    ----------
    cells
        In cell order, with ``boost_now_kpa, boost_after_kpa, boost_basis, step_pct``.
    axes
        The breakpoints.
    unit
        Unit word of pressure; the values are gauge.
    arrow
        Between now and after.
    """
    rows = zip(cells[NOW], cells[AFTER], cells[BASIS], cells["step_pct"], strict=True)
    return CellPicture(axes, tuple(_boost(*row, unit=unit, arrow=arrow) for row in rows))


def _boost(
    now: float, after: float, basis: str, step: float, *, unit: str, arrow: str
) -> CellShown:
    if basis == UNREAD or not np.isfinite(now):
        return UNKNOWN
    is_brought = basis == EARLIER
    text = (BROUGHT if is_brought else "") + boost_number(now, unit)
    if np.isfinite(step) and step != 0:
        text += arrow + boost_number(after, unit)
    note = "read with an earlier grid" if is_brought else ""
    shade = depth_of(step, unsafe_sign=MORE_BOOST) if np.isfinite(step) else 0
    return CellShown("value", text, text, shade=shade, note=note)


def part_that_changes(picture: CellPicture, is_changed: pd.Series) -> CellPicture:
    """Cut a map down to the speeds and loads with a change, at least two of each.

    Parameters
    ----------
    picture
        The whole map.
    is_changed
        In cell order; True somewhere.
    """
    axes, table = picture.axes, is_changed.to_numpy(dtype=bool).reshape(picture.axes.shape)
    rows, columns = (_at_least_two(np.asarray(table.any(axis=way))) for way in (1, 0))
    cells = np.array(picture.cells, dtype=object).reshape(axes.shape)[np.ix_(rows, columns)]
    part = Axes(axes.rpm[rows], axes.load[columns], axes.load_name, axes.load_unit)
    return CellPicture(part, tuple(cells.ravel()))


def _at_least_two(has_change: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    found = np.flatnonzero(has_change)
    if len(found) > 1:
        return found
    only = int(found[0])
    return np.array([only, only + 1] if only + 1 < len(has_change) else [only - 1, only])
