"""Saturation of the load reading: samples at the end of the sensor's or gauge's range.

A pressure sensor that saturates below the engine's boost reads its highest value for everything
above, and a boost gauge that starts at zero reads zero in vacuum. Such samples fall into the wrong
cell. Saturation shows as an extreme value that repeats unchanged over a run of renewed values while
other readings vary. With a coarse logger other readings repeat too; there the same extreme must
return several times, because no engine holds exactly the same load again and again.

Speed is counted and does not saturate. Throttle, filling and injected fuel end where the engine
does. Figures are common practice, without a source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from tuneassist.evidence.refresh import renewed_rows
from tuneassist.grid import Floats
from tuneassist.settings import SteadySettings
from tuneassist.units import UNITS, convert, find_unit

Side = Literal["highest", "lowest"]

#: A reading is unchanged while it moves by no more than this share of the log's range: a saturated
#: sensor flickers by one step of its converter, one in use by several. [1]
SATURATION_WIDTH = 0.001
#: Samples this near to the extreme, as a share of the log's range, count as saturated. [1]
SATURATION_NEAR = 0.008
#: Share of values in unchanged runs away from the extreme above which the logger is coarse; fewer
#: are chance, or short rests seen by a fine logger. [1]
STILL_SHARE = 0.05
#: Fewest values away from the extreme; with fewer no saturation is looked for. [1]
MIN_OTHER_VALUES = 100
#: Runs at the extreme that show saturation with a coarse logger, or where engines rest by
#: themselves. [1]
REPEATED_VISITS = 3
#: Where engines rest by themselves: at the barometer at full load without boost (3,000 m to the
#: highest at sea level), and at idle. A coarse logger shows no saturation there. [kPa absolute]
NATURAL_KPA: Mapping[Side, tuple[float, float]] = {"highest": (68.0, 107.0), "lowest": (0.0, 50.0)}
#: Quantities whose sensor may saturate within the engine's range.
MAY_SATURATE = ("pressure", "mass flow")

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class LoadSaturation:
    """One end of the load sensor's range.

    Parameters
    ----------
    side
        "highest" or "lowest".
    value
        The reading there. [load unit]
    near
        Samples this near count as saturated. [load unit]
    is_given
        Whether the setup gives it.
    """

    side: Side
    value: float
    near: float = 0.0
    is_given: bool = False

    def at(self, load: Floats) -> Mask:
        """Tell which samples are saturated, shape (n,); readings beyond a detected end are not.

        Parameters
        ----------
        load
            The load as logged, shape (n,). [load unit]
        """
        if self.is_given:
            beyond = load - self.value if self.side == "highest" else self.value - load
            return np.asarray(beyond >= 0)
        return np.asarray(np.abs(load - self.value) <= self.near)


def find_load_saturation(
    load: Floats, load_unit: str, *, base_kpa: float, settings: SteadySettings
) -> tuple[LoadSaturation, ...]:
    """Find where the load reading saturates.

    Parameters
    ----------
    load
        The load as logged in a log's first part, repeats included, shape (n,). [load unit]
    load_unit
        Unit of the axis.
    base_kpa
        Reference of the pressure: the barometer for a gauge, else 0. [kPa]
    settings
        Ends given in the setup, and the length of a run.
    """
    reading = find_unit(load_unit)
    quantity = None if reading is None else UNITS[reading.word].quantity
    by_hand: dict[Side, float | None] = {
        "highest": settings.load_highest,
        "lowest": settings.load_lowest,
    }
    found = [
        LoadSaturation(side, value, is_given=True)
        for side, value in by_hand.items()
        if value is not None
    ]
    given = {limit.side for limit in found}
    known = load[renewed_rows(load)]
    # air flow falls to nearly nothing on the overrun, so only pressure can saturate at the bottom
    for side in by_hand:
        may_end = MAY_SATURATE if side == "highest" else ("pressure",)
        if reading is None or side in given or quantity not in may_end:
            continue
        natural = (np.inf, -np.inf)
        if quantity == "pressure":
            low, high = convert(np.array(NATURAL_KPA[side]) - base_kpa, "kPa", reading.word)
            natural = (float(low), float(high))
        limit = _found_saturation(known, side, natural, settings.stop_run_samples)
        found += [] if limit is None else [limit]
    return tuple(found)


def _found_saturation(
    values: Floats, side: Side, natural: tuple[float, float], run_samples: int
) -> LoadSaturation | None:
    """Find saturation on one side of renewed values; None if there is none."""
    if len(values) < MIN_OTHER_VALUES:
        return None
    extreme = float(values.max() if side == "highest" else values.min())
    value_range = float(np.ptp(values))
    width = SATURATION_WIDTH * value_range
    is_extreme = np.abs(values - extreme) <= width
    if np.sum(~is_extreme) < MIN_OTHER_VALUES:
        return None
    first, length = _runs(np.abs(np.diff(values)) <= width)
    is_long = length >= run_samples
    is_at_end = is_extreme[first] & is_extreme[first + length - 1]
    visits = int(np.sum(is_long & is_at_end))
    elsewhere = int(length[is_long & ~is_at_end].sum())
    # the load of an idling engine hardly moves, so that a fine logger looks coarse at the bottom
    is_fine = side == "highest" and elsewhere <= STILL_SHARE * len(values)
    is_natural = natural[0] <= extreme <= natural[1]
    if is_natural and not is_fine:
        return None
    is_end = visits >= (1 if is_fine and not is_natural else REPEATED_VISITS)
    return LoadSaturation(side, extreme, SATURATION_NEAR * value_range) if is_end else None


def _runs(is_unchanged: Mask) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return start and length of each run, given which values stay the same until the next."""
    edges = np.diff(np.concatenate([[False], is_unchanged, [False]]).astype(np.int8))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return first.astype(np.int64), (last - first + 1).astype(np.int64)
