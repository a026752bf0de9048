"""Where a map is dangerous: boost, ceilings, and the cells on the side that hurts.

Decided once for figure and page; holds no colours and no characters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.correction.cell_readings import axis_pressure_kpa, column_or, in_boost, read_tops
from tuneassist.grid import Axes
from tuneassist.own_units import channel_words, reading, units_for
from tuneassist.settings import Setup
from tuneassist.show.cell_picture import CellPicture, unsafe_step_sign
from tuneassist.units import UNITS, find_unit

Flags = npt.NDArray[np.bool_]

NEAR_CEILING_SHARE = 0.95
"""A reading of this share of its ceiling is near it: a few percent of fuel would reach it. [1]"""


@dataclass(frozen=True, eq=False)
class MapDangers:
    """What is dangerous on a map, one flag per cell, in cell order.

    Parameters
    ----------
    is_boost
        Cells in boost; all False where it is not known.
    boost_words
        From where on the engine is in boost, or that it is not known.
    is_hurting
        Cells on the side that hurts, where it hurts most.
    hurting_words
        What these cells have in common; empty where the map cannot tell.
    is_beyond
        Cells beyond a ceiling, by a reading near them or by the load axis.
    ceiling_words
        The ceilings, with their units; empty without one.
    """

    is_boost: Flags
    boost_words: str
    is_hurting: Flags
    hurting_words: str
    is_beyond: Flags
    ceiling_words: str


def map_dangers(cells: pd.DataFrame, setup: Setup) -> MapDangers:
    """Return boost and ceilings of a map that has no side that hurts, such as that of coverage.

    Parameters
    ----------
    cells
        One row per cell in cell order, with pressures and highest readings where they are known.
    setup
        Axes and limits.
    """
    is_boost, boost_words = _boost(cells, setup)
    nothing = np.zeros(len(cells), dtype=bool)
    return MapDangers(
        is_boost, boost_words, nothing, "", _beyond(cells, setup), _ceiling_words(setup)
    )


def deviation_dangers(cells: pd.DataFrame, picture: CellPicture, setup: Setup) -> MapDangers:
    """Return the dangers of a map of deviations.

    Parameters
    ----------
    cells
        As for `map_dangers`.
    picture
        From `tuneassist.show.cell_picture.deviation_picture`.
    setup
        Ignition, kind of target, axes and limits.

    Returns
    -------
    MapDangers
        A spark engine hurts where it is lean in boost, a diesel wherever it is over its floor.
    """
    found = map_dangers(cells, setup)
    is_unsafe = np.array([one.shade > 0 for one in picture.cells], dtype=bool)
    if setup.engine.ignition == "spark":
        return _hurting(found, is_unsafe & _counts_as_boost(found), "leaner than target in boost")
    floor = setup.target.kind == "floor"
    words = "richer than the smoke floor" if floor else "richer than target"
    return _hurting(found, is_unsafe, words)


def step_dangers(cells: pd.DataFrame, setup: Setup) -> MapDangers:
    """Return the dangers of a map of steps.

    Parameters
    ----------
    cells
        As for `map_dangers`, with ``step_pct``.
    setup
        Ignition, what the grid acts on, axes and limits.

    Returns
    -------
    MapDangers
        A step in the unsafe direction hurts in boost (spark), or near a ceiling (diesel, boost).
    """
    found = map_dangers(cells, setup)
    quantity = "fuel" if setup.correction.acts_on == "fuel" else "air"
    way = unsafe_step_sign(setup)
    is_unsafe = column_or(cells, "step_pct", 0.0) * way > 0
    if way < 0:
        return _hurting(found, is_unsafe & _counts_as_boost(found), f"less {quantity} in boost")
    is_near = _beyond(cells, setup, share=NEAR_CEILING_SHARE)
    return _hurting(found, is_unsafe & is_near, f"more {quantity} near a ceiling")


def _hurting(found: MapDangers, is_hurting: Flags, words: str) -> MapDangers:
    return MapDangers(
        found.is_boost, found.boost_words, is_hurting, words, found.is_beyond, found.ceiling_words
    )


def _counts_as_boost(found: MapDangers) -> Flags:
    """Cells that the rules take for boost: all of them where it is not known."""
    is_known = found.boost_words != BOOST_UNKNOWN
    return found.is_boost if is_known else np.ones_like(found.is_boost)


BOOST_UNKNOWN = "start of boost not known: every cell counts as boost"


def _boost(cells: pd.DataFrame, setup: Setup) -> tuple[Flags, str]:
    axes, limits = setup.axes, setup.limits
    is_axis = _is_pressure(axes)
    logged = np.isfinite(column_or(cells, "manifold_pressure_kpa", np.nan)).any()
    if not (is_axis or limits.boost_above_load is not None or logged):
        return np.zeros(len(cells), dtype=bool), BOOST_UNKNOWN
    is_boost = np.asarray(in_boost(cells, axes, limits), dtype=bool)
    return is_boost, f"boost: {_boost_start(setup)}"


def _boost_start(setup: Setup) -> str:
    axes, limits = setup.axes, setup.limits
    above = f"above {units_for(setup).said(limits.boost_above_kpa, 'kPa absolute')}".replace(
        "absolute", "abs"
    )
    if limits.boost_above_load is None:
        return above
    by_load = f"above {limits.boost_above_load:.4g} {axes.load_unit}"
    return f"{above} or {by_load}" if _is_pressure(axes) else by_load


def _is_pressure(axes: Axes) -> bool:
    unit = find_unit(axes.load_unit)
    return unit is not None and UNITS[unit.word].quantity == "pressure"


def _beyond(cells: pd.DataFrame, setup: Setup, share: float = 1.0) -> Flags:
    """Cells with a reading above this share of a ceiling, or at a boost above it by the axis."""
    limits = setup.limits
    beyond = np.zeros(len(cells), dtype=bool)
    for name, top in read_tops(cells, limits).items():
        beyond |= np.nan_to_num(top, nan=-np.inf) > share * limits.ceilings[name].ceiling
    pressure = axis_pressure_kpa(setup.axes, np.full(len(cells), limits.barometer_kpa))
    if pressure is not None and "boost" in limits.ceilings:
        beyond |= pressure - limits.barometer_kpa > share * limits.ceilings["boost"].ceiling
    return beyond


def _ceiling_words(setup: Setup) -> str:
    return ", ".join(
        f"{channel_words(name)} {reading(one.ceiling, name, setup)}"
        for name, one in setup.limits.ceilings.items()
    )
