"""Whether the load stands at the end of its sensor or gauge: what lies beyond is filed there.

A pressure sensor that ends below the engine's boost reads its highest value for all that lies above
it, and a boost gauge that ends at zero reads zero for all of the vacuum. Such samples belong to
other cells than the one they are filed in. An end shows as an extreme value that stays the same for
a run of renewed values, while elsewhere the reading moves. A coarse logger stands still elsewhere
too: there the same extreme must come back, for engines hold no load to a digit again and again.

Speed is counted and not measured, so that it has no such end. Throttle, filling and injected fuel
end where the engine ends. Figures are common practice, without a source.
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

#: A reading stays where it is while it changes by no more than this share of the log's range: a
#: sensor at its end flickers by a step of its converter, one in use by several. [1]
END_WIDTH = 0.001
#: Where there is an end, samples this near to it are taken to stand there. [1]
END_NEAR = 0.008
#: Elsewhere such runs are taken for chance, or for short rests of a fine logger, up to this share
#: of the values; above it the logger is coarse. [1]
STILL_SHARE = 0.05
#: So many values off the extreme show how the reading moves; with fewer nothing is told. [1]
ENOUGH_ELSEWHERE = 100
#: With a coarse logger, and where engines stay by themselves, the extreme is an end where it comes
#: back so often, each time for a run. [1]
REPEATED_VISITS = 3
#: Where engines stay by themselves: at the barometer at full load without boost (3,000 m to the
#: highest at sea level), and where they idle. A coarse logger tells no end there. [kPa absolute]
NATURAL_KPA: Mapping[Side, tuple[float, float]] = {"highest": (68.0, 107.0), "lowest": (0.0, 50.0)}
#: Loads whose reading may end before the engine does, by quantity.
MAY_END = ("pressure", "mass flow")

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class LoadEnd:
    """One end of the load's reading.

    Parameters
    ----------
    side
        "highest" or "lowest".
    value
        The reading at the end. [load unit]
    near
        So near to it a sample stands at the end. [load unit]
    is_given
        Whether the setup names it.
    """

    side: Side
    value: float
    near: float = 0.0
    is_given: bool = False

    def at(self, load: Floats) -> Mask:
        """Tell which samples stand at the end, shape (n,); what reads on beyond one found does not.

        Parameters
        ----------
        load
            The load as logged, shape (n,). [load unit]
        """
        if self.is_given:
            beyond = load - self.value if self.side == "highest" else self.value - load
            return np.asarray(beyond >= 0)
        return np.asarray(np.abs(load - self.value) <= self.near)


def load_ends(
    load: Floats, load_unit: str, *, base_kpa: float, settings: SteadySettings
) -> tuple[LoadEnd, ...]:
    """Find the ends of the load's reading; none where it ends with the engine.

    Parameters
    ----------
    load
        The load as logged in a log's first part, repeats included, shape (n,). [load unit]
    load_unit
        Unit of the axis.
    base_kpa
        What a pressure there counts from: the barometer for a gauge, else 0. [kPa]
    settings
        Ends given by hand, and how long a run is.
    """
    reading = find_unit(load_unit)
    quantity = None if reading is None else UNITS[reading.word].quantity
    by_hand: dict[Side, float | None] = {
        "highest": settings.load_highest,
        "lowest": settings.load_lowest,
    }
    ends = [
        LoadEnd(side, value, is_given=True) for side, value in by_hand.items() if value is not None
    ]
    given = {end.side for end in ends}
    known = load[renewed_rows(load)]
    # the flow of an overrun is next to nothing by itself: below only a pressure ends early
    for side in by_hand:
        may_end = MAY_END if side == "highest" else ("pressure",)
        if reading is None or side in given or quantity not in may_end:
            continue
        natural = (np.inf, -np.inf)
        if quantity == "pressure":
            low, high = convert(np.array(NATURAL_KPA[side]) - base_kpa, "kPa", reading.word)
            natural = (float(low), float(high))
        found = _found_end(known, side, natural, settings.stop_run_samples)
        ends += [] if found is None else [found]
    return tuple(ends)


def _found_end(
    values: Floats, side: Side, natural: tuple[float, float], run_samples: int
) -> LoadEnd | None:
    """Find one end in renewed values; None where the reading shows none."""
    if len(values) < ENOUGH_ELSEWHERE:
        return None
    extreme, span = float(values.max() if side == "highest" else values.min()), np.ptp(values)
    width = END_WIDTH * float(span)
    is_there = np.abs(values - extreme) <= width
    if np.sum(~is_there) < ENOUGH_ELSEWHERE:
        return None
    first, length = _runs(np.abs(np.diff(values)) <= width)
    is_long = length >= run_samples
    is_at_end = is_there[first] & is_there[first + length - 1]
    visits = int(np.sum(is_long & is_at_end))
    elsewhere = int(length[is_long & ~is_at_end].sum())
    # an idle engine rests like no other: what is fine at the top may be coarse at the bottom
    is_fine = side == "highest" and elsewhere <= STILL_SHARE * len(values)
    is_natural = natural[0] <= extreme <= natural[1]
    if is_natural and not is_fine:
        return None
    is_end = visits >= (1 if is_fine and not is_natural else REPEATED_VISITS)
    return LoadEnd(side, extreme, END_NEAR * float(span)) if is_end else None


def _runs(stays: Mask) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First value and number of values of each run, given whether each stays till the next."""
    edges = np.diff(np.concatenate([[False], stays, [False]]).astype(np.int8))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return first.astype(np.int64), (last - first + 1).astype(np.int64)
